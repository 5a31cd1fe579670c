"""What proves an episode to a payer: the delivery, statements of named people, the coverage; and what a change is.

The delivery is a SupplyDelivery, a statement a Provenance of the plan with the document it stands in. Who received it
has no element in R4 (a receiver there is a professional), so the receiver is an extension.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from service.domain.billing.dossier import STATEMENTS, Cover, Delivery, Statement
from service.domain.billing.rule_sets import Payer
from service.domain.orthosis.episode import Episode
from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.billing_names import DELIVERY_PROFILE, SIGNED, STATED, STATEMENT_PROFILE, STATEMENT_SYSTEM
from service.fhir.observation import concept
from service.fhir.orthosis.episode import key_of
from service.fhir.orthosis.names import coded, nested, person, simple, value_of
from service.fhir.reading import code_in
from service.fhir.text import Json


def _day(text: object, where: str) -> date:
    try:
        return date.fromisoformat(str(text or "")[:10])
    except ValueError:
        message = "The day is needed."
        raise Invalid(Issue("required", message, where, str(text or ""), "day", "a day")) from None


def _some_day(text: object) -> date | None:
    """The day, where a whole one is written."""
    written = str(text or "")[:10]
    return date.fromisoformat(written) if len(written) == len("2026-03-02") else None


def to_supply_delivery(episode: Episode, given: Delivery) -> Json:
    """The SupplyDelivery of an orthosis that was handed over."""
    extension = [*simple("delivery-address", "String", given.address)]
    if given.receiver:
        signed = [("signed", "Boolean", given.signed)]
        named = [("name", "String", given.receiver), ("relation", "String", given.relation), *signed]
        extension.append(nested("delivery-receiver", named))
    extension += simple("delivery-instructions", "Boolean", given.instructions or None)
    extension += simple("delivery-description", "String", given.description)
    found: Json = {
        "resourceType": "SupplyDelivery",
        "meta": {"profile": [DELIVERY_PROFILE]},
        "extension": extension,
        "identifier": [{"system": episode.key[0], "value": episode.key[1]}],
        "status": "completed",
        "patient": {"reference": episode.patient},
        "suppliedItem": {
            "quantity": {"value": given.quantity},
            "itemReference": {"reference": f"Device/{episode.device_id}"},
        },
        "occurrenceDateTime": given.on.isoformat(),
    }
    supplier = person(given.supplier_reference, given.supplier)
    found |= {"supplier": supplier} if supplier else {}
    return {name: value for name, value in found.items() if value}


def from_supply_delivery(resource: Json) -> Delivery:
    """The handing over that a SupplyDelivery states. Raises `Invalid`, also for one that names no episode."""
    key_of(resource)
    receiver = value_of(resource, "delivery-receiver") or {}
    supplier = resource.get("supplier") or {}
    quantity = ((resource.get("suppliedItem") or {}).get("quantity") or {}).get("value", 1)
    return Delivery(
        on=_day(resource.get("occurrenceDateTime"), "SupplyDelivery.occurrenceDateTime"),
        quantity=int(quantity),
        description=str(value_of(resource, "delivery-description", "")),
        address=str(value_of(resource, "delivery-address", "")),
        receiver=str(receiver.get("name", "")),
        relation=str(receiver.get("relation", "")),
        signed=receiver.get("signed") is True,
        instructions=value_of(resource, "delivery-instructions", otherwise=False) is True,
        supplier=str(supplier.get("display", "")),
        supplier_reference=str(supplier.get("reference", "")),
        reference=f"SupplyDelivery/{resource.get('id', '')}",
    )


def to_provenance(episode: Episode, given: Statement, by: Json, recorded: datetime) -> Json:
    """The Provenance of what a named person (`by`, a Reference) states about an episode."""
    found: Json = {
        "resourceType": "Provenance",
        "meta": {"profile": [STATEMENT_PROFILE]},
        "target": [{"reference": f"ServiceRequest/{episode.id}"}, {"reference": episode.patient}],
        "occurredDateTime": given.on.isoformat(),
        "recorded": recorded.isoformat(),
        "activity": coded(STATEMENT_SYSTEM, given.item, STATEMENTS),
        "agent": [{"who": by}],
        "entity": [{"role": "source", "what": {"display": given.document}}],
    }
    if given.signed:
        coding = concept(STATEMENT_SYSTEM, Term(SIGNED, STATED[SIGNED]))["coding"][0]
        found["signature"] = [{"type": [coding], "when": recorded.isoformat(), "who": by}]
    return found


def from_provenance(resource: Json) -> Statement:
    """What a Provenance of this profile states. Raises `Invalid`."""
    item = code_in(resource.get("activity"), STATEMENT_SYSTEM)
    if item not in STATEMENTS:
        expected = ", ".join(STATEMENTS)
        message = "It does not say what is stated."
        raise Invalid(Issue("value", message, "Provenance.activity", item, "known-statement", expected))
    who = ((resource.get("agent") or [{}])[0]).get("who") or {}
    document = ((resource.get("entity") or [{}])[0]).get("what") or {}
    return Statement(
        item=item,
        on=_day(resource.get("occurredDateTime"), "Provenance.occurredDateTime"),
        by=str(who.get("display") or who.get("reference", "")),
        document=str(document.get("display") or document.get("reference", "")),
        signed=bool(resource.get("signature")),
        reference=f"Provenance/{resource.get('id', '')}",
    )


def plan_of(resource: Json) -> str:
    """The reference of the plan that a statement is about; empty for none."""
    targets = (str(each.get("reference", "")) for each in resource.get("target") or [])
    return next((each for each in targets if each.startswith("ServiceRequest/")), "")


def payer_references(resource: Json) -> list[str]:
    """The references of the payers that a Coverage names."""
    return [str(each["reference"]) for each in resource.get("payor") or [] if each.get("reference")]


def from_coverage(resource: Json, organisations: Mapping[str, Json]) -> Cover:
    """Who pays by a Coverage; `organisations` are those of its payers that are in the record, by reference."""
    payers: list[Payer] = []
    for given in resource.get("payor") or []:
        found = organisations.get(str(given.get("reference", "")), {})
        names = [given.get("display"), found.get("name"), *(found.get("alias") or [])]
        payers += [Payer(name=str(name)) for name in names if name]
        for identifier in [given.get("identifier") or {}, *(found.get("identifier") or [])]:
            if identifier.get("value"):
                payers.append(Payer("", str(identifier.get("system", "")), str(identifier["value"])))
    period = resource.get("period") or {}
    return Cover(
        f"Coverage/{resource.get('id', '')}",
        tuple(payers),
        _some_day(period.get("start")),
        _some_day(period.get("end")),
        str(resource.get("subscriberId", "")),
    )


_FOLLOWS: Mapping[str, tuple[str, ...]] = {
    "ServiceRequest": ("status",),
    "DeviceRequest": ("status",),
    "Device": ("status", "statusReason", "property", "type"),
    "DeviceUseStatement": ("status",),
}
"""What follows from the events of an episode as it goes on, and so is no correction of what was seen before."""
_OF_PATIENT = ("name", "birthDate", "identifier", "gender")
_WRONG = ("entered-in-error", "revoked")


def material(resource: Json) -> Json:
    """What of a resource a confirmation rests on: two versions differ if this does."""
    kind = str(resource.get("resourceType"))
    if kind == "Patient":
        return {name: resource[name] for name in _OF_PATIENT if name in resource}
    if kind == "ChargeItem":
        return {"status": resource.get("status") if resource.get("status") == "aborted" else ""}
    dropped = ("meta", "text", *_FOLLOWS.get(kind, ()))
    kept: Json = {name: value for name, value in resource.items() if name not in dropped}
    if kind in _FOLLOWS:
        kept["status"] = resource.get("status") if resource.get("status") in _WRONG else ""
    if kind == "DeviceUseStatement":
        kept["timingTiming"] = _without_end(resource.get("timingTiming") or {})
    return kept


def _without_end(timing: Mapping[str, Any]) -> Json:
    repeat = dict(timing.get("repeat") or {})
    period = {name: value for name, value in (repeat.get("boundsPeriod") or {}).items() if name != "end"}
    return {**timing, "repeat": {**repeat, "boundsPeriod": period}}
