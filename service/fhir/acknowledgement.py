"""That a named person has seen a review point: a Provenance about the patient, with the mark of the point as an entity.

While the point says the same and rests on the same readings, its mark is the same, so that it stays quiet.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from service.domain.actor import Actor
from service.fhir.provenance import ACT_SYSTEM, AGENT_SYSTEM, who_of
from service.fhir.record_words import ACTS
from service.fhir.text import Json

ACT = "review-acknowledgement"


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """Which point (its mark) was acknowledged, by whom and when; `note` is what they had to say, or empty."""

    mark: str
    by: str
    at: str
    note: str


def to_acknowledgement(
    patient: str, mark: str, statement: str, rests_on: Iterable[str], actor: Actor, at: datetime, note: str = ""
) -> Json:
    """The Provenance; `patient` is a reference, `rests_on` are references to the readings behind the statement."""
    point = {"role": "source", "what": {"identifier": {"value": mark}, "display": statement}}
    coding = {"system": AGENT_SYSTEM, "code": "verifier", "display": "Verifier"}
    return {
        "resourceType": "Provenance",
        "target": [{"reference": patient}],
        "recorded": at.isoformat(),
        **({"reason": [{"text": note}]} if note else {}),
        "activity": {"coding": [{"system": ACT_SYSTEM, "code": ACT, "display": ACTS[ACT]}]},
        "agent": [{"type": {"coding": [coding]}, "who": who_of(actor)}],
        "entity": [point, *({"role": "source", "what": {"reference": each}} for each in rests_on)],
    }


def from_acknowledgement(resource: Json) -> Acknowledged | None:
    """What a Provenance acknowledges, or None for one that is about anything else."""
    codings = (resource.get("activity") or {}).get("coding") or []
    if not any(c.get("system") == ACT_SYSTEM and c.get("code") == ACT for c in codings):
        return None
    whats = [each.get("what") or {} for each in resource.get("entity") or []]
    mark = next((str(w["identifier"].get("value", "")) for w in whats if w.get("identifier")), "")
    who = next((agent.get("who") or {} for agent in resource.get("agent") or []), {})
    name = str(who.get("display") or (who.get("identifier") or {}).get("value", ""))
    note = str((resource.get("reason") or [{}])[0].get("text", ""))
    return Acknowledged(mark, name, str(resource.get("recorded", "")), note) if mark else None
