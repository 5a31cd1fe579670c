"""A biller's decision as a Task, and each line of it as a ChargeItem, and both back.

The Task names the versions it rests on. Neither is ever deleted: what was taken back stays, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from service.domain.anatomy import Site
from service.domain.billing.confirmation import Charge, Chosen, Round, Seen
from service.fhir.billing_names import (
    CHARGE_PROFILE,
    CONFIRMATION_PROFILE,
    DECISION_SYSTEM,
    DECISIONS,
    PART_SYSTEM,
    PARTS,
)
from service.fhir.observation import SITE_SYSTEM, concept
from service.fhir.orthosis.names import coded, person, simple, value_of, values_of
from service.fhir.reading import code_in
from service.fhir.text import Json

_STATUS = {"confirmed": "completed", "returned": "rejected", "void": "cancelled"}


def to_task(given: Round) -> Json:
    """The Task of a decision."""
    found: Json = {
        "resourceType": "Task",
        "id": given.id,
        "meta": {"profile": [CONFIRMATION_PROFILE]},
        "extension": simple("rule-set", "String", given.rules),
        "identifier": [{"system": given.key[0], "value": given.key[1]}],
        "status": _STATUS[given.status],
        "businessStatus": coded(DECISION_SYSTEM, given.status, DECISIONS),
        "intent": "order",
        "code": coded(PART_SYSTEM, "confirmation", PARTS),
        "focus": {"reference": f"ServiceRequest/{given.episode}"},
        "for": {"reference": given.patient},
        "authoredOn": given.at.isoformat(),
        "owner": {"display": given.by},
        "note": [{"text": note} for note in given.notes],
        "input": list(_inputs(given)),
        "output": list(_outputs(given)),
    }
    said = given.reason or given.question
    found |= {"statusReason": {"text": said}} if said else {}
    return {name: value for name, value in found.items() if value not in ([], "")}


def _part(code: str, value: str, what: Any) -> Json:
    return {"type": coded(PART_SYSTEM, code, PARTS), f"value{value}": what}


def _inputs(given: Round) -> Iterator[Json]:
    for seen in given.seen:
        yield _part("seen", "Reference", {"reference": f"{seen.reference}/_history/{seen.version}"})
    if given.cover:
        yield _part("cover", "Reference", {"reference": given.cover})
    if given.day:
        yield _part("date-of-service", "Date", given.day.isoformat())


def _outputs(given: Round) -> Iterator[Json]:
    for charge in given.charges:
        yield _part("charge", "Reference", {"reference": charge})
    if given.answer:
        yield _part("answer", "String", given.answer)


def from_task(resource: Json, version: int) -> Round:
    """The decision that a Task of this profile states."""
    status = code_in(resource.get("businessStatus"), DECISION_SYSTEM)
    said = str((resource.get("statusReason") or {}).get("text", ""))
    given = [*(resource.get("input") or []), *(resource.get("output") or [])]
    identifier = (resource.get("identifier") or [{}])[0]
    day = _first(given, "date-of-service", "Date")
    return Round(
        id=str(resource["id"]),
        status=status,
        by=str((resource.get("owner") or {}).get("display", "")),
        at=datetime.fromisoformat(str(resource["authoredOn"])),
        episode=str(resource["focus"]["reference"]).rpartition("/")[2],
        key=(str(identifier.get("system", "")), str(identifier.get("value", ""))),
        patient=str(resource["for"]["reference"]),
        seen=tuple(_seen(str(each["reference"])) for each in _values(given, "seen", "Reference")),
        charges=tuple(str(each["reference"]) for each in _values(given, "charge", "Reference")),
        rules=str(value_of(resource, "rule-set", "")),
        day=date.fromisoformat(day) if day else None,
        cover=str((_first(given, "cover", "Reference") or {}).get("reference", "")),
        question=said if status == "returned" else "",
        answer=str(_first(given, "answer", "String") or ""),
        reason=said if status == "void" else "",
        notes=tuple(str(each.get("text", "")) for each in resource.get("note") or []),
        version=version,
    )


def _values(parts: list[Json], code: str, value: str) -> list[Any]:
    return [each[f"value{value}"] for each in parts if code_in(each.get("type"), PART_SYSTEM) == code]


def _first(parts: list[Json], code: str, value: str) -> Any:
    return next(iter(_values(parts, code, value)), None)


def _seen(reference: str) -> Seen:
    named, _, version = reference.partition("/_history/")
    return Seen(named, int(version))


def to_charge_item(given: Charge) -> Json:
    """The ChargeItem of a line."""
    chosen = given.chosen
    version = {"version": given.edition} if given.edition else {}
    sites = [Site("right" if given.side == "right" else "left", part) for part in given.digits or ("hand",)]
    found: Json = {
        "resourceType": "ChargeItem",
        "id": given.id,
        "meta": {"profile": [CHARGE_PROFILE]},
        "extension": list(_marks(given)),
        "identifier": [{"system": given.key[0], "value": given.key[1]}],
        "status": "aborted" if given.void else "billed" if given.export else "billable",
        "code": {"coding": [{"system": chosen.system, **version, "code": chosen.code, "display": given.display}]},
        "subject": {"reference": given.patient},
        "occurrenceDateTime": given.day.isoformat(),
        "quantity": {"value": chosen.units},
        "bodysite": [concept(SITE_SYSTEM, site.term) for site in sites],
        "enterer": {"display": given.by},
        "enteredDate": given.at.isoformat(),
        "service": [{"reference": each} for each in given.procedures],
        "productReference": {"reference": given.device},
        "supportingInformation": [{"reference": each} for each in (f"ServiceRequest/{given.episode}", *given.evidence)],
    }
    supplier = person(given.supplier_reference, given.supplier)
    found |= {"performingOrganization": supplier} if supplier else {}
    return {name: value for name, value in found.items() if value not in ([], "")}


def _marks(given: Charge) -> Iterator[Json]:
    for modifier in given.chosen.modifiers:
        yield from simple("charge-modifier", "Coding", {"system": given.chosen.system, "code": modifier})
    yield from simple("rule-set", "String", given.rules)
    yield from simple("charge-cover", "Reference", {"reference": given.cover} if given.cover else None)
    yield from simple("charge-why", "String", given.chosen.why)
    yield from simple("charge-export", "String", given.export)
    yield from simple("charge-reversal", "String", given.reversal)
    yield from simple("charge-void", "String", given.void)


def from_charge_item(resource: Json) -> Charge:
    """The line that a ChargeItem of this profile states."""
    coding = resource["code"]["coding"][0]
    identifier = (resource.get("identifier") or [{}])[0]
    supplier = resource.get("performingOrganization") or {}
    evidence = [str(each["reference"]) for each in resource.get("supportingInformation") or []]
    places = [code_in(each, SITE_SYSTEM).partition("-") for each in resource.get("bodysite") or []]
    chosen = Chosen(
        str(coding["system"]),
        str(coding["code"]),
        int(resource["quantity"]["value"]),
        tuple(str(each["code"]) for each in values_of(resource, "charge-modifier")),
        str(value_of(resource, "charge-why", "")),
    )
    return Charge(
        id=str(resource["id"]),
        episode=evidence[0].rpartition("/")[2],
        key=(str(identifier.get("system", "")), str(identifier.get("value", ""))),
        patient=str(resource["subject"]["reference"]),
        chosen=chosen,
        display=str(coding.get("display", "")),
        edition=str(coding.get("version", "")),
        side=places[0][0],
        digits=tuple(part for _, _, part in places if part != "hand"),
        day=date.fromisoformat(str(resource["occurrenceDateTime"])),
        device=str(resource["productReference"]["reference"]),
        supplier=str(supplier.get("display", "")),
        supplier_reference=str(supplier.get("reference", "")),
        procedures=tuple(str(each["reference"]) for each in resource.get("service") or []),
        evidence=tuple(evidence[1:]),
        rules=str(value_of(resource, "rule-set", "")),
        cover=str((value_of(resource, "charge-cover") or {}).get("reference", "")),
        by=str((resource.get("enterer") or {}).get("display", "")),
        at=datetime.fromisoformat(str(resource["enteredDate"])),
        export=str(value_of(resource, "charge-export", "")),
        reversal=str(value_of(resource, "charge-reversal", "")),
        void=str(value_of(resource, "charge-void", "")),
    )
