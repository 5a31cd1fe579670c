"""Injuries, operations and referrals as Condition, Procedure and ServiceRequest, and back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from service.domain.anatomy import SIDES, Side, Site, site_of_code
from service.domain.course import (
    REFERRAL_ITEMS,
    Injury,
    Operation,
    Referral,
    require_lawful_injury,
    require_lawful_operation,
    require_lawful_referral,
)
from service.errors import Invalid, Issue
from service.fhir.canonical import profile
from service.fhir.course import status_concept
from service.fhir.observation import SITE_SYSTEM, concept
from service.fhir.reading import code_in
from service.fhir.text import Json

INJURY_PROFILE, OPERATION_PROFILE, REFERRAL_PROFILE = (profile(n) for n in ("injury", "operation", "referral"))
MECHANISM, ZONE = profile("mechanism-of-injury"), profile("zone-of-injury")
STRUCTURE, NERVE_LEVEL = profile("structure-repaired"), profile("nerve-level")
TOLD, NOT_APPLICABLE = profile("referral-tells"), profile("referral-not-applicable")


def to_injury(injury: Injury, patient: str) -> Json:
    """The Condition that states an injury, or the illness that is treated."""
    stated = [(MECHANISM, "valueString", injury.mechanism), (ZONE, "valueCode", injury.zone)]
    extension = [{"url": url, form: text} for url, form, text in stated if text]
    return {
        "resourceType": "Condition",
        "meta": {"profile": [INJURY_PROFILE]},
        **({"extension": extension} if extension else {}),
        "clinicalStatus": status_concept("condition-clinical", "active"),
        "verificationStatus": status_concept("condition-ver-status", "confirmed"),
        "category": [status_concept("condition-category", "encounter-diagnosis")],
        "code": {"text": injury.what},
        "bodySite": _sites(injury.side, injury.digits),
        "subject": {"reference": patient},
        **({"onsetDateTime": injury.on.isoformat()} if injury.on else {}),
    }


def from_injury(resource: Json) -> Injury:
    """The injury a Condition of our profile states. Raises `Invalid` for an unlawful one."""
    told = _told(resource)
    side, digits = _place(resource)
    made = Injury(
        what=_text(resource, "code"),
        side=side,
        on=_day(resource, "onsetDateTime"),
        mechanism=str(told.get(MECHANISM, {}).get("valueString", "")),
        digits=digits,
        zone=str(told.get(ZONE, {}).get("valueCode", "")),
        id=str(resource.get("id", "")),
    )
    require_lawful_injury(made)
    return made


def to_operation(operation: Operation, patient: str) -> Json:
    """The Procedure that states an operation."""
    extension = [{"url": STRUCTURE, "valueString": structure} for structure in operation.structures]
    if operation.nerve_level:
        extension.append({"url": NERVE_LEVEL, "valueString": operation.nerve_level})
    return {
        "resourceType": "Procedure",
        "meta": {"profile": [OPERATION_PROFILE]},
        **({"extension": extension} if extension else {}),
        "status": "completed",
        "code": {"text": operation.what},
        "subject": {"reference": patient},
        "performedDateTime": operation.on.isoformat(),
        **({"performer": [{"actor": {"display": operation.by}}]} if operation.by else {}),
        "bodySite": _sites(operation.side, operation.digits),
    }


def from_operation(resource: Json) -> Operation:
    """The operation a Procedure of our profile states. Raises `Invalid` for an unlawful one."""
    side, digits = _place(resource)
    day = _day(resource, "performedDateTime")
    if day is None:
        message = "An operation needs its day."
        raise Invalid(Issue("required", message, "Procedure.performedDateTime", "", "operation-day", "a day"))
    extensions = resource.get("extension") or []
    actor = (resource.get("performer") or [{}])[0].get("actor") or {}
    made = Operation(
        what=_text(resource, "code"),
        side=side,
        on=day,
        structures=tuple(str(e.get("valueString", "")) for e in extensions if e.get("url") == STRUCTURE),
        digits=digits,
        by=str(actor.get("display", "")),
        nerve_level=str(_told(resource).get(NERVE_LEVEL, {}).get("valueString", "")),
        id=str(resource.get("id", "")),
    )
    require_lawful_operation(made)
    return made


def to_referral(referral: Referral, patient: str) -> Json:
    """The ServiceRequest that states a referral, with what it tells, item by item."""
    told: list[Json] = [
        {
            "url": TOLD,
            "extension": [{"url": "item", "valueCode": item}, {"url": "text", "valueString": referral.tells[item]}],
        }
        for item in REFERRAL_ITEMS
        if referral.tells.get(item)
    ]
    told += [{"url": NOT_APPLICABLE, "valueCode": item} for item in referral.not_applicable]
    return {
        "resourceType": "ServiceRequest",
        "meta": {"profile": [REFERRAL_PROFILE]},
        **({"extension": told} if told else {}),
        "status": "active",
        "intent": "order",
        "code": {"text": "Hand therapy"},
        "subject": {"reference": patient},
        "authoredOn": referral.on.isoformat(),
        **({"requester": {"display": referral.by}} if referral.by else {}),
    }


def from_referral(resource: Json) -> Referral:
    """The referral a ServiceRequest of our profile states. Raises `Invalid` for an unlawful one."""
    day = _day(resource, "authoredOn")
    if day is None:
        message = "A referral needs its day."
        raise Invalid(Issue("required", message, "ServiceRequest.authoredOn", "", "referral-day", "a day"))
    extensions = resource.get("extension") or []
    pairs = [{e.get("url"): e for e in each.get("extension") or []} for each in extensions if each.get("url") == TOLD]
    made = Referral(
        on=day,
        by=str((resource.get("requester") or {}).get("display", "")),
        tells={str(p.get("item", {}).get("valueCode")): str(p.get("text", {}).get("valueString", "")) for p in pairs},
        not_applicable=tuple(str(e.get("valueCode")) for e in extensions if e.get("url") == NOT_APPLICABLE),
        id=str(resource.get("id", "")),
    )
    require_lawful_referral(made)
    return made


def _sites(side: Side, digits: Iterable[str]) -> list[Json]:
    return [concept(SITE_SYSTEM, Site(side, part).term) for part in (tuple(digits) or ("hand",))]


def _place(resource: Json) -> tuple[Side, tuple[str, ...]]:
    sites = [site_of_code(code_in(each, SITE_SYSTEM)) for each in resource.get("bodySite") or []]
    sides = [side for side in SIDES if any(site.side == side for site in sites)]
    if len(sides) != 1:
        message = "An injury or operation has sites of ours on one side."
        where = f"{resource.get('resourceType')}.bodySite"
        raise Invalid(Issue("required", message, where, "", "one-side", "the hand or its digits, left or right"))
    return sides[0], tuple(site.key for site in sites if site.part.kind == "digit")


def _told(resource: Json) -> dict[str, Json]:
    return {str(e.get("url")): e for e in resource.get("extension") or []}


def _text(resource: Json, element: str) -> str:
    return str((resource.get(element) or {}).get("text", ""))


def _day(resource: Json, element: str) -> date | None:
    text = str(resource.get(element) or "")[:10]
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        message = "This needs a whole day."
        where = f"{resource.get('resourceType')}.{element}"
        raise Invalid(Issue("value", message, where, text, "whole-day", "a day such as 2026-03-02")) from None
