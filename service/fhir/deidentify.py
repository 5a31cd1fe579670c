"""A resource as it may leave for research: what is listed here leaves, in the way given here, and nothing else does.

Two profiles. **S** follows the list of 45 CFR 164.514(b)(2): a date becomes the days since the patient's first visit,
and the only years told are that of birth, up to an age of 89, and that of the first visit. **L** is a limited data set
(45 CFR 164.514(e)): each patient's dates are moved by a number of whole weeks of the patient's own, without time of
day, so that intervals and weekdays stay; it needs a recorded agreement. In both, identifiers, names, narrative, texts
and displays typed by people, practitioners, places, serial and lot numbers, pictures and attachments stay behind.

What leaves is judged by where it stands (`LEAVING`), then by its datatype. Whether that is enough where a person is
known by what is rare about them is not decided here: the release counts its smallest classes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from typing import Any, Literal

from service.domain.units import UNITS
from service.fhir.canonical import UCUM
from service.fhir.conformance import supported
from service.fhir.definitions import Element, codes, elements
from service.fhir.deidentify_codes import may_leave, own_codes
from service.fhir.extensions import EXTENSIONS
from service.fhir.research_extensions import DAYS, FIRST_YEAR, OVER_89
from service.fhir.search_paths import split_reference
from service.fhir.structure import json_properties
from service.fhir.text import Json

Profile = Literal["S", "L"]
OLDEST = 89
"""Ages above are told as one group only (45 CFR 164.514(b)(2)(i)(C))."""

LEAVING: dict[str, frozenset[str]] = {
    kind: frozenset(names.split())
    for kind, names in {
        "Patient": "gender birthDate deceasedBoolean",
        "Encounter": "status class subject period episodeOfCare",
        "EpisodeOfCare": "status patient period extension",
        "Condition": "clinicalStatus verificationStatus category severity code bodySite subject encounter extension "
        "onsetDateTime onsetPeriod abatementDateTime",
        "Flag": "status category code subject period encounter extension",
        "Observation": "status category code subject encounter effectiveDateTime effectivePeriod valueQuantity "
        "valueCodeableConcept valueInteger valueBoolean valueRange valueRatio dataAbsentReason interpretation bodySite "
        "method hasMember derivedFrom component extension",
        "Device": "status type patient property extension",
        "DeviceRequest": "status intent codeCodeableConcept codeReference subject encounter extension authoredOn "
        "basedOn occurrencePeriod occurrenceDateTime occurrenceTiming",
        "DeviceUseStatement": "status subject device reasonCode bodySite basedOn extension timingTiming timingPeriod "
        "timingDateTime",
        "Procedure": "status category code subject encounter performedDateTime performedPeriod bodySite outcome "
        "partOf basedOn reasonReference usedReference complication extension",
        "ServiceRequest": "status intent category code subject encounter occurrenceDateTime occurrencePeriod "
        "authoredOn bodySite reasonReference basedOn replaces extension",
        "Goal": "lifecycleStatus achievementStatus category description subject startDate target extension",
    }.items()
}
"""The elements that may leave, by type. A type that is not here stays behind whole."""

_KEPT = frozenset({"boolean", "integer", "positiveInt", "unsignedInt", "decimal"})
_AMOUNTS = frozenset({"Quantity", "SimpleQuantity", "Age", "Duration", "Count"})
_WHOLE = frozenset({"CodeableConcept", "Period", "Range", "Ratio", "Timing", "BackboneElement", "Element"})
_MASKED = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "masked"}]}


@dataclass(frozen=True, slots=True)
class Around:
    """What a patient's resources are read against.

    `first` is the day of the first visit, `until` the last day the release speaks of, `weeks` by how many the dates of
    profile L move. `pseudonym` gives the name of a resource in the release, or None for one that is not in it.
    """

    profile: Profile
    first: date
    until: date
    weeks: int
    pseudonym: Callable[[str, str], str | None]


def deidentified(resource: Json, around: Around) -> Json | None:
    """The resource as it may leave, or None for one that stays behind."""
    kind = resource["resourceType"]
    name = around.pseudonym(kind, resource["id"]) if kind in LEAVING else None
    if name is None:
        return None
    leaving = {key: value for key, value in resource.items() if key.removeprefix("_") in LEAVING[kind]}
    found: Json = {"resourceType": kind, "id": name}
    profiles = [each for each in (resource.get("meta") or {}).get("profile") or () if each in _profiles()]
    if profiles:
        found["meta"] = {"profile": profiles}
    found |= _Leaving(around).parts(leaving, kind, kind)
    found |= _timed(found)
    return _aged(found, resource, around) if kind == "Patient" else found


@cache
def _profiles() -> frozenset[str]:
    return frozenset(url for urls in supported().values() for url in urls)


@cache
def _extensions() -> dict[str, frozenset[str]]:
    """The extensions of this project, and the names of the parts of each."""
    return {each.url: frozenset(part.name for part in each.parts) for each in EXTENSIONS}


@cache
def _below(kind: str, at: str) -> dict[str, tuple[Element, str]]:
    """JSON key to element and type, for what stands below an element."""
    return dict(json_properties([each for each in elements(kind).values() if each.parent == at]))


def _aged(found: Json, resource: Json, around: Around) -> Json:
    """The patient with what may be told of age: the year of birth, or only that it is over the limit."""
    told: list[Json] = [{"url": FIRST_YEAR.url, "valueInteger": around.first.year}] if around.profile == "S" else []
    born = str(resource.get("birthDate", ""))
    found.pop("birthDate", None)
    found.pop("_birthDate", None)
    if born and around.until.year - int(born[:4]) > OLDEST:
        told.append({"url": OVER_89.url, "valueBoolean": True})
    elif born and around.profile == "S":
        found["birthDate"] = born[:4]
    elif len(born) == len("1980-03-02"):
        found["birthDate"] = _moved(date.fromisoformat(born), around)
    return {**found, **({"extension": told} if told else {})}


_TIMES = (
    "effectiveDateTime", "effectivePeriod", "performedDateTime", "performedPeriod", "period", "onsetDateTime",
    "onsetPeriod", "timingDateTime", "timingPeriod", "timingTiming", "occurrenceDateTime", "occurrencePeriod",
    "occurrenceTiming", "startDate", "authoredOn",
)  # fmt: skip
"""Where the time stands that a resource is about, in the order in which it is looked for."""


def _timed(found: Json) -> Json:
    """The days of the time that a resource is about, on the resource itself."""
    for name in _TIMES:
        told = found.get(f"_{name}") or found.get(name)
        told = ((told.get("repeat") or {}).get("boundsPeriod") or told) if isinstance(told, dict) else {}
        days = [each for each in (told.get("_start") or told).get("extension") or () if each["url"] == DAYS.url]
        if days:
            return {"extension": [*days, *found.get("extension", [])]}
    return {}


def _moved(day: date, around: Around) -> str:
    return (day + timedelta(weeks=around.weeks)).isoformat()


@dataclass(frozen=True, slots=True)
class _Leaving:
    around: Around

    def parts(self, given: Json, kind: str, at: str) -> Json:
        """What may leave of an object; what must be there and may not leave is said to be masked."""
        below = _below(kind, at)
        found: Json = {}
        for key, value in given.items():
            if key in below and not key.startswith("_"):
                element, type_code = below[key]
                found |= self._one(key, value, element, type_code, kind)
        return found

    def _one(self, key: str, value: Any, element: Element, type_code: str, kind: str) -> Json:
        if type_code in ("date", "dateTime"):
            return self._dated(key, value)
        if isinstance(value, list):
            kept = [each for each in (self._value(one, element, type_code, kind) for one in value) if each is not None]
            return {key: kept} if kept else ({key: [_MASKED]} if element.least else {})
        one = self._value(value, element, type_code, kind)
        if one is None and element.least:
            return {f"_{key}" if type_code == "code" else key: _MASKED}
        return {} if one is None else {key: one}

    def _dated(self, key: str, value: Any) -> Json:
        """A full date moved, or as days; a partial one, and a list of dates, stay behind."""
        if not isinstance(value, str) or len(value) < len("2026-03-02"):
            return {}
        day = date.fromisoformat(value[:10])
        if self.around.profile == "L":
            return {key: _moved(day, self.around)}
        return {f"_{key}": {"extension": [{"url": DAYS.url, "valueInteger": (day - self.around.first).days}]}}

    def _value(self, value: Any, element: Element, type_code: str, kind: str) -> Any:
        if type_code in _KEPT:
            return value
        if type_code == "code":
            return value if value in _bound(element) else None
        judge = {"Coding": _coding, "Reference": self._reference, "Extension": self._extension}.get(type_code)
        if judge or type_code in _AMOUNTS:
            return (judge or _amount)(value)
        return self._whole(value, element, type_code, kind) if type_code in _WHOLE or element.same_as else None

    def _whole(self, value: Json, element: Element, type_code: str, kind: str) -> Json | None:
        if element.same_as:
            return self.parts(value, kind, element.same_as) or None
        if type_code in ("BackboneElement", "Element"):
            return self.parts(value, kind, element.path) or None
        return self.parts(value, type_code, type_code) or None

    def _reference(self, value: Json) -> Json | None:
        kind, ident = split_reference(str(value.get("reference", "")))
        name = self.around.pseudonym(kind, ident) if kind else None
        return {"reference": f"{kind}/{name}"} if name else None

    def _extension(self, value: Json) -> Json | None:
        """One of this project's, with what of its value or parts may leave; texts in it do not."""
        known = _extensions().get(value.get("url", ""))
        if known is None:
            return None
        own = [each for each in value.get("extension") or () if each.get("url") in known]
        parts = [{"url": each["url"], **kept} for each in own if (kept := dict(self._extension_value(each)))]
        found: Json = {"extension": parts} if parts else {}
        found |= dict(self._extension_value(value))
        return {"url": value["url"], **found} if found else None

    def _extension_value(self, value: Json) -> Iterator[tuple[str, Any]]:
        for key, (element, type_code) in _below("Extension", "Extension").items():
            if key in value and key.startswith("value"):
                if type_code == "code":
                    kept = {key: value[key]} if value[key] in own_codes() else {}
                else:
                    kept = self._one(key, value[key], element, type_code, "Extension")
                yield from kept.items()


def _bound(element: Element) -> frozenset[str]:
    by_system = codes(element.value_set) if element.value_set else None
    return frozenset().union(*by_system.values()) if by_system else frozenset()


def _coding(value: Json) -> Json | None:
    system, code = str(value.get("system", "")), str(value.get("code", ""))
    return {"system": system, "code": code} if may_leave(system, code) else None


def _amount(value: Json) -> Json | None:
    """A number with a unit that is known; without one it would be read as something else."""
    if value.get("system") != UCUM or value.get("code") not in UNITS or "value" not in value:
        return None
    comparator = {"comparator": value["comparator"]} if value.get("comparator") in ("<", "<=", ">=", ">") else {}
    unit = UNITS[value["code"]]
    return {"value": value["value"], **comparator, "unit": unit.name, "system": UCUM, "code": unit.code}
