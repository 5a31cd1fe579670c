"""What a person in a release might be known by although nothing names them, read from the released resources alone."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

from service.fhir.course import AFFECTED
from service.fhir.research_extensions import OVER_89
from service.fhir.text import Json


class Quasi(NamedTuple):
    """One such answer: what it is, and how it is read from one person's released resources."""

    title: str
    read: Callable[[Iterable[Json]], str]


def _patient(resources: Iterable[Json]) -> Json:
    return next((each for each in resources if each["resourceType"] == "Patient"), {})


def _birth(resources: Iterable[Json]) -> str:
    patient = _patient(resources)
    over = any(each["url"] == OVER_89.url for each in patient.get("extension") or ())
    return "older than 89" if over else str(patient.get("birthDate", ""))[:4]


def _codes(resources: Iterable[Json], kind: str) -> Iterator[str]:
    for each in resources:
        if each["resourceType"] == kind:
            yield from (coding["code"] for coding in (each.get("code") or {}).get("coding") or ())


def _sides(resources: Iterable[Json]) -> Iterator[str]:
    for each in resources:
        if each["resourceType"] == "EpisodeOfCare":
            yield from (one["valueCode"] for one in each.get("extension") or () if one["url"] == AFFECTED)


def _listed(values: Iterable[str]) -> str:
    return ",".join(sorted(set(values)))


QUASI: Mapping[str, Quasi] = {
    "gender": Quasi("administrative gender", lambda found: str(_patient(found).get("gender", ""))),
    "birth-year": Quasi("year of birth", _birth),
    "conditions": Quasi("codes of the conditions", lambda found: _listed(_codes(found, "Condition"))),
    "operations": Quasi("codes of the operations", lambda found: _listed(_codes(found, "Procedure"))),
    "affected-side": Quasi("side that is treated", lambda found: _listed(_sides(found))),
}
"""By name."""

OPT_OUT_SCOPE = ("http://terminology.hl7.org/CodeSystem/consentscope", "research")


def refuses_research(consent: Json) -> bool:
    """Whether a Consent says that this record is not to be used for research (R4: scope `research`, provision deny)."""
    scope = ((consent.get("scope") or {}).get("coding")) or ()
    about = any((each.get("system"), each.get("code")) == OPT_OUT_SCOPE for each in scope)
    denied = (consent.get("provision") or {}).get("type") == "deny"
    return consent.get("status") == "active" and about and denied
