"""Statistics of Observations as Observations: what is put together, what is kept apart, and the caution beside it.

https://hl7.org/fhir/R4/observation-operation-stats.html. Numbers are put together only within one series (for our
readings, what their kind says must agree; for others the same code, site, method and components) and one unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.domain.descriptive import STATISTICS, described
from service.domain.kinds import KINDS
from service.domain.series import key_of, watched
from service.errors import Invalid, Issue
from service.fhir.canonical import UCUM
from service.fhir.reading import from_observation, kind_claimed
from service.fhir.search_paths import tokens
from service.fhir.text import Json

SYSTEM = "http://terminology.hl7.org/CodeSystem/observation-statistics"
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_COUNTS = ("count", "total-count")
KNOWN = (*_COUNTS, *STATISTICS)
"""The statistics that are offered, by R4's codes."""
CAUTION = (
    "These numbers describe the readings they were made from, and nothing else. They take no account of measurement "
    "error; a mean of readings over time is no present state; and a change says nothing about why it happened."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """A code whose readings are wanted: its system (None: any) and the code."""

    system: str | None
    code: str

    def fits(self, concept: Any) -> bool:
        """Whether a CodeableConcept has this code."""
        return any(self.code == code and self.system in (None, system) for system, code in tokens(concept))


@dataclass(frozen=True, slots=True)
class Number:
    """One number with its unit, the series it belongs to, and the Observation it was found in."""

    value: Decimal
    unit: tuple[str, str, str]
    series: tuple[tuple[str, str], ...]
    source: Json
    watched: Mapping[str, str]


def numbers_of(observations: Iterable[Json], asked: Asked) -> tuple[list[Number], int]:
    """The numbers that these Observations state for a code, and how many of them state none."""
    found: list[Number] = []
    without = 0
    for observation in observations:
        own = asked.fits(observation.get("code"))
        parts = [observation] if own else [c for c in observation.get("component", ()) if asked.fits(c.get("code"))]
        stated = [part["valueQuantity"] for part in parts if "value" in part.get("valueQuantity", {})]
        plain = [each for each in stated if "comparator" not in each]
        placed = _series(observation) if own else (_outside(observation), {})
        if not plain or len(plain) < len(stated) or "modifierExtension" in observation or placed is None:
            without += 1
            continue
        series, changing = placed
        for each in plain:
            unit = (each.get("system", ""), each.get("code", ""), each.get("unit", ""))
            found.append(Number(Decimal(each["value"]), unit, series, observation, changing))
    return found, without


def _series(observation: Json) -> tuple[tuple[tuple[str, str], ...], Mapping[str, str]] | None:
    """The series a reading belongs to, and what may change within it; None where it cannot be told."""
    if kind_claimed(observation) is None:
        return _outside(observation), {}
    try:
        reading = from_observation(observation)
    except Invalid:
        return None
    names = ("kind", *KINDS[reading.kind].series_key)
    return tuple(zip(names, key_of(reading), strict=True)), watched(reading)


def _outside(observation: Json) -> tuple[tuple[str, str], ...]:
    """What has to agree between Observations that are no readings of ours."""
    named = {name: sorted({code for _, code in tokens(observation.get(name))}) for name in ("bodySite", "method")}
    return tuple((name, ", ".join(codes) or "not stated") for name, codes in named.items())


def statistics_of(
    asked: Asked, numbers: Sequence[Number], without: int, names: Sequence[str], around: Json, *, apart: bool
) -> list[Json]:
    """The Observations that state these statistics of a code; `around` is what each says of its patient and time.

    One for all numbers, or `apart` one for each series and unit. Raises `Invalid` where there are several and they are
    not wanted apart.
    """
    groups: dict[tuple[Any, ...], list[Number]] = {}
    for number in numbers:
        groups.setdefault((number.series, number.unit[:2] if number.unit[1] else number.unit), []).append(number)
    if len(groups) > 1 and not apart:
        raise Invalid(_mixed(asked, list(groups.values())))
    return [_observation(asked, group, without, names, around) for group in groups.values() or ([],)]


def _mixed(asked: Asked, groups: list[list[Number]]) -> Issue:
    differing: dict[str, set[str]] = {}
    for first, *_ in groups:
        for name, value in (*first.series, ("unit", first.unit[1] or first.unit[2] or "none")):
            differing.setdefault(name, set()).add(value)
    said = "; ".join(
        f"{name.replace('_', ' ')}: {', '.join(sorted(values)[:5])}{', and more' if len(values) > 5 else ''}"
        for name, values in differing.items()
        if len(values) > 1
    )
    message = f"The readings of {asked.code} belong to {len(groups)} series or units, which are not put together."
    expected = "apart=true, which tells each by itself, or a shorter time"
    return Issue("business-rule", message, "Observation", said, "one-series", expected)


def _observation(asked: Asked, group: Sequence[Number], without: int, names: Sequence[str], around: Json) -> Json:
    sources = [number.source for number in group]
    code = next((s["code"] for s in sources if asked.fits(s.get("code"))), None)
    stated = {"system": asked.system, "code": asked.code} if asked.system else {"code": asked.code}
    made: Json = {"resourceType": "Observation", "status": "final", "code": code or {"coding": [stated]}, **around}
    site = {str(source.get("bodySite")): source["bodySite"] for source in sources if "bodySite" in source}
    if len(site) == 1:
        made["bodySite"] = next(iter(site.values()))
    made["note"] = [{"text": text} for text in (CAUTION, *_told(group, without))]
    made["component"] = [_component(name, group, without) for name in names]
    return made


def _told(group: Sequence[Number], without: int) -> Iterator[str]:
    """What else has to be known: what was left out, in which series it stands, and what changed within it."""
    if without:
        yield f"Left out because they state no plain number: {without}."
    if not group:
        return
    yield "Series: " + "; ".join(f"{name.replace('_', ' ')}: {value}" for name, value in group[0].series) + "."
    changing = {name for number in group for name in number.watched}
    changed = sorted(n.replace("_", " ") for n in changing if len({number.watched.get(n) for number in group}) > 1)
    if changed:
        yield f"Changed between these readings: {', '.join(changed)}."
    if any(number.source.get("status") == "preliminary" for number in group):
        yield "Some of these readings are not signed yet."


def _component(name: str, group: Sequence[Number], without: int) -> Json:
    made: Json = {"code": {"coding": [{"system": SYSTEM, "code": name}]}}
    if name in _COUNTS:
        count = len(group) + (without if name == "total-count" else 0)
        return made | {"valueQuantity": {"value": count, "system": UCUM, "code": "1"}}
    found = described(name, [number.value for number in group])
    if found is None:
        reason = {"system": _ABSENT, "code": "not-applicable"}
        return made | {"dataAbsentReason": {"coding": [reason], "text": "There are too few numbers for it."}}
    system, code, unit = group[0].unit
    named = {"unit": unit, "system": system, "code": code} if name != "variance" else _squared(system, code, unit)
    return made | {"valueQuantity": {"value": found, **{key: text for key, text in named.items() if text}}}


def _squared(system: str, code: str, unit: str) -> Json:
    """The unit of a variance. UCUM writes a power of a unit with a bracket or another unit in it as a product."""
    return {"unit": f"square of {unit or code}", **({"system": system, "code": f"({code}).({code})"} if code else {})}
