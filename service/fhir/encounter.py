"""A visit as an Encounter."""

from __future__ import annotations

from service.domain.clock import Moment
from service.fhir.text import Json

ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"


def to_encounter(patient: str, when: Moment, by: str, by_name: str, key: tuple[str, str] | None) -> Json:
    """The Encounter of an ambulatory visit: whose, when, with whom, and the key it has where it came from."""
    who = {name: text for name, text in (("reference", by), ("display", by_name)) if text}
    start = when.at.date().isoformat() if when.day_only else when.at.isoformat()
    return {
        "resourceType": "Encounter",
        **({"identifier": [{"system": key[0], "value": key[1]}]} if key else {}),
        "status": "in-progress",
        "class": {"system": ACT_CODE, "code": "AMB", "display": "ambulatory"},
        "subject": {"reference": patient},
        **({"participant": [{"individual": who}]} if who else {}),
        "period": {"start": start},
    }
