"""Hours worn on one day as an Observation, and back. A report, not a state: it may be corrected like any other."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from service.domain.orthosis.dose import SOURCES, Wear
from service.domain.orthosis.episode import Episode
from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.canonical import code_system, profile
from service.fhir.observation import CATEGORY_SYSTEM, ORTHOSIS_WORN, concept
from service.fhir.orthosis.names import number, simple, value_of
from service.fhir.reading import code_in
from service.fhir.text import Json

WEAR_PROFILE = profile("orthosis-wear")
WEAR_SYSTEM = code_system("orthosis-wear")
TERMS = {source: f"Hours worn, {words}" for source, words in SOURCES.items()}


def is_wear(resource: Json) -> bool:
    """Whether an Observation states hours worn."""
    return WEAR_PROFILE in ((resource.get("meta") or {}).get("profile") or [])


def to_observation(episode: Episode, wear: Wear, device_use: str) -> Json:
    """The Observation of one day's hours. `device_use` is the reference of the regimen in force that day."""
    uncertainty = None if wear.uncertainty is None else number(wear.uncertainty, "hour", "h")
    found: Json = {
        "resourceType": "Observation",
        "meta": {"profile": [WEAR_PROFILE]},
        "extension": [
            {"url": ORTHOSIS_WORN, "valueReference": {"reference": device_use}},
            *simple("wear-uncertainty", "Quantity", uncertainty),
        ],
        "identifier": [{"system": episode.key[0], "value": episode.key[1]}],
        "status": "final",
        "category": [{"coding": [{"system": CATEGORY_SYSTEM, "code": "activity", "display": "Activity"}]}],
        "code": concept(WEAR_SYSTEM, Term(wear.source, TERMS[wear.source])),
        "subject": {"reference": episode.patient},
        "effectivePeriod": {"start": wear.day.isoformat(), "end": wear.day.isoformat()},
        "valueQuantity": number(wear.hours, "hour", "h"),
        "device": {"reference": f"Device/{episode.device_id}"},
    }
    return {**found, "performer": [{"display": wear.by}]} if wear.by else found


def from_observation(resource: Json) -> Wear:
    """The hours an Observation of this profile states. Raises `Invalid`."""
    start = str((resource.get("effectivePeriod") or {}).get("start", ""))[:10]
    hours = (resource.get("valueQuantity") or {}).get("value")
    uncertainty = (value_of(resource, "wear-uncertainty") or {}).get("value")
    try:
        day = date.fromisoformat(start)
    except ValueError:
        message = "Hours worn belong to a day."
        raise Invalid(Issue("required", message, "Observation.effectivePeriod.start", start, "day-of-wear")) from None
    if hours is None:
        message = "Hours worn are a number of hours."
        raise Invalid(Issue("required", message, "Observation.valueQuantity", "", "hours-of-wear", "hours"))
    return Wear(
        day=day,
        hours=Decimal(hours),
        source=code_in(resource.get("code"), WEAR_SYSTEM),
        by=str((resource.get("performer") or [{}])[0].get("display", "")),
        uncertainty=None if uncertainty is None else Decimal(uncertainty),
        id=str(resource.get("id", "")),
    )
