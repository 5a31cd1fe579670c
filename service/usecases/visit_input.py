"""A visit as a clinician says it, from JSON: who, when, by whom, and the readings in their own words.

What a reading may say follows from the declarations of the kinds; so does the JSON Schema shown to clients.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.clock import Moment, moment, zone_of
from service.domain.field import Field
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, Entry, MeasurementKind
from service.domain.shorthand import parse
from service.errors import Invalid, Issue

Identifier = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody named by resource id, by identifier, or by name only."""

    id: str = ""
    identifier: Identifier | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class VisitReading:
    """One entry of a visit; `by` and `at` where they differ from the visit's, `orthosis` the episode worn.

    `place` says where the entry stood in what was sent: `readings[2]`, or a row of a file.
    """

    entry: Entry
    place: str
    by: Person | None = None
    at: Moment | None = None
    orthosis: Identifier | None = None


@dataclass(frozen=True, slots=True)
class Visit:
    """One patient's visit. `key` identifies it where it came from; a second entry with that key adds to it."""

    patient: Person
    when: Moment
    by: Person
    readings: tuple[VisitReading, ...]
    key: Identifier | None = None
    imported: bool = False


_VISIT = ("patient", "when", "zone", "by", "key", "declared", "readings")
_READING = (
    "kind", "side", "site", "value", "unit", "convention", "trials", "absent", "confirmed", "note", "key", "by", "at",
    "orthosis", "shorthand",
)  # fmt: skip
_BESIDE_SHORTHAND = ("shorthand", "confirmed", "note", "key", "by", "at", "orthosis")


class _Faults:
    """Collects everything wrong with a document, so that a person hears of it all at once."""

    def __init__(self) -> None:
        self.issues: list[Issue] = []

    def add(self, where: str, message: str, value: object = "", expected: str = "", rule: str = "input-form") -> None:
        self.issues.append(Issue("structure", message, where, str(value), rule, expected))

    def text(self, given: Mapping[str, Any], name: str, where: str) -> str:
        """A text; numbers are taken as they are written."""
        value = given.get(name)
        if value is None:
            return ""
        if isinstance(value, bool) or not isinstance(value, (str, int, Decimal)):
            self.add(f"{where}{name}", f"{name} must be a text or a number.", value, "a text or a number")
            return ""
        return str(value).strip()

    def raised(self, error: Invalid, where: str) -> None:
        self.issues.extend(issue.at(where) if where else issue for issue in error.issues)


def visit_of(document: Mapping[str, Any], zone: ZoneInfo | None) -> Visit:
    """The visit a JSON document states; `zone` is the clinic's, for times that name none.

    Raises `Invalid` with every fault of form, each with its place.
    """
    faults = _Faults()
    for name in document:
        if name not in _VISIT:
            faults.add(name, f"A visit has no '{name}'.", "", "one of " + ", ".join(_VISIT))
    zone = _zone(document, zone, faults)
    patient = _person(document.get("patient"), "patient", faults)
    by = _person(document.get("by"), "by", faults)
    when = _moment(faults.text(document, "when", ""), zone, "when", faults)
    readings = document.get("readings")
    if not isinstance(readings, list) or not readings:
        faults.add("readings", "A visit needs at least one reading.", "", "a list of readings")
        readings = []
    declared = faults.text(document, "declared", "")
    made = [_reading(r, f"readings[{n}]", zone, declared, faults) for n, r in enumerate(readings)]
    key = _identifier(document.get("key"), "key", faults)
    if faults.issues or when is None or patient is None or by is None:
        raise Invalid(*faults.issues)
    return Visit(patient, when, by, tuple(r for r in made if r), key)


def reading_of(given: Any, place: str, zone: ZoneInfo | None) -> VisitReading:
    """One reading from JSON, told of by `place`. Raises `Invalid` with every fault of form."""
    faults = _Faults()
    reading = _reading(given, place, zone, "", faults)
    if faults.issues or reading is None:
        raise Invalid(*faults.issues)
    return reading


def _zone(document: Mapping[str, Any], zone: ZoneInfo | None, faults: _Faults) -> ZoneInfo | None:
    name = faults.text(document, "zone", "")
    if not name:
        return zone
    try:
        return zone_of(name)
    except Invalid as error:
        faults.raised(error, "")
        return zone


def _moment(text: str, zone: ZoneInfo | None, where: str, faults: _Faults) -> Moment | None:
    try:
        return moment(text, zone, where)
    except Invalid as error:
        faults.raised(error, "")
        return None


def _person(given: Any, where: str, faults: _Faults) -> Person | None:
    expected = '{"system": …, "value": …}, {"id": …}' + ("" if where == "patient" else ' or {"name": …}')
    if not isinstance(given, Mapping):
        faults.add(where, f"The visit must say who: {where}.", given or "", expected)
        return None
    name = "" if where == "patient" else faults.text(given, "name", f"{where}.")
    identifier = _identifier(given, where, faults) if "system" in given or "value" in given else None
    person = Person(faults.text(given, "id", f"{where}."), identifier, name)
    if not (person.id or person.identifier or person.name):
        faults.add(where, "Nobody is named here.", "", expected)
    return person


def _identifier(given: Any, where: str, faults: _Faults) -> Identifier | None:
    if given is None:
        return None
    if not isinstance(given, Mapping) or not all(isinstance(given.get(n), str) for n in ("system", "value")):
        faults.add(where, "An identifier has a system and a value, both texts.", "", '{"system": …, "value": …}')
        return None
    return str(given["system"]), str(given["value"])


def _reading(given: Any, where: str, zone: ZoneInfo | None, declared: str, faults: _Faults) -> VisitReading | None:
    if not isinstance(given, Mapping):
        faults.add(where, "A reading is an object.", given, '{"kind": …, "side": …, "site": …, "value": …}')
        return None
    text = {name: faults.text(given, name, f"{where}.") for name in given if name not in ("trials", "by", "orthosis")}
    entry = (
        _from_shorthand(given, text, where, declared, faults)
        if "shorthand" in given
        else _entry(given, text, where, faults)
    )
    if entry is None:
        return None
    at = _moment(text["at"], zone, f"{where}.at", faults) if text.get("at") else None
    by = _person(given["by"], f"{where}.by", faults) if "by" in given else None
    return VisitReading(entry, where, by, at, _identifier(given.get("orthosis"), f"{where}.orthosis", faults))


def _entry(given: Mapping[str, Any], text: Mapping[str, str], where: str, faults: _Faults) -> Entry:
    trials = given.get("trials", [])
    if not isinstance(trials, list):
        faults.add(f"{where}.trials", "Trials are a list.", trials, '["30", "31.5", "stopped-for-pain"]')
        trials = []
    return Entry(
        kind=text.get("kind", ""),
        side=text.get("side", ""),
        site=text.get("site", ""),
        value=text.get("value", ""),
        unit=text.get("unit", ""),
        convention=text.get("convention", ""),
        fields={name: answer for name, answer in text.items() if name not in _READING},
        trials=tuple(faults.text({"trial": t}, "trial", f"{where}.trials.") for t in trials),
        absent=text.get("absent", ""),
        confirmed=text.get("confirmed", ""),
        note=text.get("note", ""),
        key=text.get("key", ""),
    )


def _from_shorthand(
    given: Mapping[str, Any], text: Mapping[str, str], where: str, declared: str, faults: _Faults
) -> Entry | None:
    """The entry that a line of shorthand states. Whatever the line can say, stands in the line."""
    for name in given:
        if name not in _BESIDE_SHORTHAND:
            expected = "one of " + ", ".join(_BESIDE_SHORTHAND)
            faults.add(f"{where}.{name}", "A line of shorthand says this itself.", given[name], expected)
    try:
        entry = parse(text["shorthand"], declared)
    except Invalid as error:
        faults.raised(error, where)
        return None
    return replace(
        entry,
        confirmed=text.get("confirmed") or entry.confirmed,
        note=text.get("note") or entry.note,
        key=text.get("key") or entry.key,
    )


def visit_schema() -> dict[str, Any]:
    """JSON Schema of a visit, generated from the declarations."""
    text = {"type": "string"}
    identifier = {"type": "object", "properties": {"system": text, "value": text}, "required": ["system", "value"]}
    person = {"type": "object", "properties": {"id": text, "system": text, "value": text, "name": text}}
    return {
        "type": "object",
        "required": ["patient", "when", "by", "readings"],
        "properties": {
            "patient": {**person, "description": "The patient, by identifier or by resource id; never by name."},
            "when": {**text, "description": "Day or time of the visit, with its offset or in the zone."},
            "zone": {**text, "description": "IANA time zone of times without an offset."},
            "by": {**person, "description": "Who measured."},
            "key": {**identifier, "description": "Identifies the visit; a second entry with the same key adds to it."},
            "declared": {**text, "description": "Words that hold for every line of shorthand, such as the convention."},
            "readings": {
                "type": "array",
                "minItems": 1,
                "items": {"oneOf": [*(_schema(k) for k in KINDS.values()), SHORTHAND_SCHEMA]},
            },
        },
    }


SHORTHAND_SCHEMA: dict[str, Any] = {
    "title": "Shorthand",
    "description": "One line in the trade's own words. `POST /shorthand` shows first what it is read as.",
    "properties": {
        "shorthand": {"type": "string", "description": "Such as: R ring PIP AROM ext/flex 0-20-90 neutral-zero"},
        "confirmed": {"type": "string", "description": "The reason for accepting a value the record asked about."},
        **{name: {"type": "string"} for name in ("note", "key", "at")},
        "by": {"type": "object"},
        "orthosis": {"type": "object", "description": "The episode worn, by system and value."},
    },
    "required": ["shorthand"],
}
"""JSON Schema of a reading given as a line of shorthand."""


def _schema(kind: MeasurementKind) -> dict[str, Any]:
    text: dict[str, Any] = {"type": "string"}
    number = {"type": ["string", "number"]}
    properties: dict[str, Any] = {
        "kind": {"const": kind.name},
        "side": {"enum": list(kind.sides)},
        "site": {"enum": list(kind.sites)},
        "value": number,
        **({"unit": {"enum": list(kind.units)}} if kind.units else {}),
        **{f.name: _field_schema(f, kind) for f in kind.all_fields},
        **({"trials": {"type": "array", "items": number}} if kind.summary_rules else {}),
        "absent": {"enum": list(ABSENT_REASONS), "description": "Why there is no value."},
        "confirmed": {**text, "description": "The reason for accepting a value the record asked about."},
        **dict.fromkeys(("note", "key", "at"), text),
        "by": {"type": "object"},
        "orthosis": {"type": "object", "description": "The episode worn, by system and value."},
    }
    where = ["side", "site"][: (1 if len(kind.sites) == 1 else 2)] if kind.sides != ("",) else []
    required = ["kind", *where, *(f.name for f in kind.all_fields if f.required)]
    return {"title": kind.title, "description": kind.description, "properties": properties, "required": required}


def _field_schema(field_: Field, kind: MeasurementKind) -> dict[str, Any]:
    if field_.units:
        text = f"{field_.title}, as 12.5 and one of: {', '.join(field_.units)}"
        return {"type": ["string", "number"], "description": text}
    if not field_.choices:
        return {"type": "string", "description": field_.title}
    entered = list(kind.panels) if kind.axes and field_ == kind.axes[0] else []
    return {"enum": [*field_.codes, *entered], "description": field_.title}
