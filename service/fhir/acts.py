"""An act that put right what was wrong, as a Provenance: what it changed, from which version to which, why and by whom.

The Provenance is the act: its id is the act's, and what it names is all that is needed to undo it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from service.domain.actor import Actor
from service.fhir.provenance import ACT_SYSTEM, AGENT_SYSTEM, who_of
from service.fhir.record_words import ACTS
from service.fhir.text import Json

REPLACES = "http://hl7.org/fhir/StructureDefinition/observation-replaces"
"""R4's extension by which an Observation says that it stands in the place of another."""
_VERSION = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})/_history/([1-9][0-9]*)")

Versions = Mapping[tuple[str, str], tuple[int, int]]
"""By type and id of a resource: its version before (0: there was none) and after."""


@dataclass(frozen=True, slots=True)
class ActTold:
    """What the Provenance of an act tells. `undone` is the id of the act that this one undid."""

    name: str
    versions: Versions
    reason: str
    recorded: str
    undone: str = ""


def to_act(name: str, versions: Versions, reason: str, recorded: datetime, actor: Actor, undone: str = "") -> Json:
    """The Provenance of an act."""
    coding = {"system": AGENT_SYSTEM, "code": "author", "display": "Author"}
    before = [_what("revision", _version(key, was)) for key, (was, _) in versions.items() if was]
    source = [_what("source", f"Provenance/{undone}")] if undone else []
    entity = [*source, *before]
    return {
        "resourceType": "Provenance",
        "target": [{"reference": _version(key, now)} for key, (_, now) in versions.items()],
        "recorded": recorded.isoformat(),
        "reason": [{"text": reason}],
        "activity": {"coding": [{"system": ACT_SYSTEM, "code": name, "display": ACTS[name]}]},
        "agent": [{"type": {"coding": [coding]}, "who": who_of(actor)}],
        **({"entity": entity} if entity else {}),
    }


def from_act(resource: Json) -> ActTold | None:
    """What the Provenance of an act tells, or None for one of anything else."""
    codings = (resource.get("activity") or {}).get("coding") or []
    name = next((str(c.get("code", "")) for c in codings if c.get("system") == ACT_SYSTEM), "")
    after = dict(_versions(resource.get("target") or ()))
    entities = resource.get("entity") or []
    before = dict(_versions(each.get("what") or {} for each in entities if each.get("role") == "revision"))
    if not name or not after:
        return None
    sources = [str(each["what"].get("reference", "")) for each in entities if each.get("role") == "source"]
    return ActTold(
        name,
        {key: (before.get(key, 0), now) for key, now in after.items()},
        str((resource.get("reason") or [{}])[0].get("text", "")),
        str(resource.get("recorded", "")),
        next((each.removeprefix("Provenance/") for each in sources), ""),
    )


def _version(key: tuple[str, str], version: int) -> str:
    return f"{key[0]}/{key[1]}/_history/{version}"


def _what(role: str, reference: str) -> Json:
    return {"role": role, "what": {"reference": reference}}


def _versions(references: Iterable[Json]) -> Iterable[tuple[tuple[str, str], int]]:
    for each in references:
        match = _VERSION.fullmatch(str(each.get("reference", "")))
        if match:
            yield (match[1], match[2]), int(match[3])
