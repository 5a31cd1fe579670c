"""Lawful readings of every kind, for property tests; and those that the hand-written files state."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from service.domain.anatomy import Site
from service.domain.field import UNKNOWN, Field
from service.domain.kinds import KINDS
from service.domain.measurement import (
    ABSENT_REASONS,
    Absent,
    Caution,
    Circumstances,
    Coded,
    Entry,
    Measurement,
    MeasurementKind,
    Quantity,
)
from service.domain.reading import Reading, read_entry
from service.fhir.definitions import codes
from service.fhir.text import Json, dump, parse

HANDWRITTEN = Path(__file__).with_name("handwritten")
STATUSES = sorted(codes("http://hl7.org/fhir/ValueSet/observation-status")["http://hl7.org/fhir/observation-status"])

ids = st.from_regex(r"[A-Za-z0-9\-.]{1,20}", fullmatch=True)
words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Z")), min_size=1, max_size=20)
amounts = st.builds(
    lambda digits, places: Decimal(digits).scaleb(-places), st.integers(0, 10**12), st.integers(0, 9)
) | st.sampled_from([Decimal("1.50"), Decimal("100.00"), Decimal("0"), Decimal("0.0"), Decimal("1E+2")])
moments = st.datetimes(
    datetime(1900, 1, 1),
    datetime(2100, 1, 1),
    timezones=st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes))),
).map(lambda moment: moment.replace(fold=0))
days = st.dates(datetime(1900, 1, 1).date(), datetime(2100, 1, 1).date()).map(
    lambda day: datetime(day.year, day.month, day.day, tzinfo=UTC)
)
absences = st.sampled_from(sorted(ABSENT_REASONS)).map(Absent)


def references(resource_type: str) -> st.SearchStrategy[str]:
    return ids.map(lambda ident: f"{resource_type}/{ident}")


@st.composite
def circumstances(draw: st.DrawFn) -> Circumstances:
    day_only = draw(st.booleans())
    performer, name = draw(st.tuples(references("Practitioner"), st.just("") | words) | st.tuples(st.just(""), words))
    return Circumstances(
        subject=draw(references("Patient")),
        taken=draw(days if day_only else moments),
        day_only=day_only,
        performer=performer,
        performer_name=name,
        encounter=draw(st.just("") | references("Encounter")),
        device_use=draw(st.just("") | references("DeviceUseStatement")),
        status=draw(st.sampled_from(STATUSES)),
        note=draw(st.just("") | words),
        source=draw(st.none() | st.tuples(words.map(lambda word: f"urn:{word}"), words)),
        id=draw(st.just("") | ids),
    )


def quantities(kind: MeasurementKind) -> st.SearchStrategy[Quantity]:
    return st.builds(Quantity, amounts, st.sampled_from(kind.units), st.sampled_from(["", "<", "<=", ">=", ">"]))


def answers(kind: MeasurementKind) -> st.SearchStrategy[Mapping[str, str]]:
    return st.fixed_dictionaries({field.name: answer(field) for field in kind.context_fields})


def answer(field: Field) -> st.SearchStrategy[str]:
    if field.choices:
        return st.sampled_from(field.codes)
    if not field.units:
        return words
    stated = st.builds(lambda amount, unit: f"{amount} {unit}", amounts, st.sampled_from(field.units))
    return stated if field.required else st.just(UNKNOWN) | stated


def places(kind: MeasurementKind, axes: Mapping[str, str]) -> list[Site]:
    """The sites where a code of this kind can be measured."""
    return [site for site in kind.places if axes.get("side", site.side) == site.side and kind.placed(site, axes)]


@st.composite
def measurements(draw: st.DrawFn, kinds: tuple[str, ...] = tuple(KINDS)) -> Measurement:
    kind = KINDS[draw(st.sampled_from(kinds))]
    axes = draw(st.sampled_from([axes for _, axes in kind.concepts.values()]))
    values = [st.sampled_from(sorted(kind.values)).map(Coded)] if kind.values else []
    values += [quantities(kind)] if kind.units else []
    attempts = st.lists(quantities(kind) | absences, max_size=4).map(tuple) if kind.summary_rules else st.just(())
    return Measurement(
        kind=kind.name,
        site=draw(st.sampled_from(places(kind, axes))),
        axes=axes,
        value=draw(st.one_of(*values, absences)),
        context=draw(answers(kind)),
        circumstances=draw(circumstances()),
        trials=draw(attempts),
        cautions=tuple(draw(st.lists(st.builds(Caution, st.sampled_from(["soft-bound", "zero-grip"]), words)))),
        entered=draw(st.just("") | words),
    )


@dataclass(frozen=True, slots=True)
class Stated:
    """A hand-written file, what it holds, and the reading that it states."""

    name: str
    expected: Json
    entry: Json

    @property
    def reading(self) -> Reading:
        given = self.entry
        entry = Entry(
            **{key: given[key] for key in ("kind", "side", "site", "value", "unit", "convention", "fields", "absent")},
            trials=tuple(given["trials"]),
        )
        return read_entry(entry, self.circumstances)

    @property
    def circumstances(self) -> Circumstances:
        names = (
            "subject", "day_only", "performer", "performer_name", "encounter", "device_use", "status", "note",
        )  # fmt: skip
        source = self.entry["source"]
        pair = (source[0], source[1]) if source else None
        taken = datetime.fromisoformat(self.entry["taken"])
        return Circumstances(taken=taken, source=pair, **{name: self.entry[name] for name in names})

    @property
    def is_whole(self) -> bool:
        return "members" in self.entry

    def measurements(self) -> list[Measurement]:
        """What the entry becomes, with what a person confirmed."""
        cautions = tuple(Caution(each["rule"], each["reason"]) for each in self.entry["confirmed_cautions"])
        return [measurement.with_cautions(cautions) for measurement in self.reading.measurements]


def handwritten() -> Iterator[Stated]:
    for path in sorted(HANDWRITTEN.glob("*.entry.json")):
        name = path.name.removesuffix(".entry.json")
        yield Stated(name, parse(path.with_name(f"{name}.json").read_bytes()), json.loads(path.read_text()))


def as_written(resource: Json) -> Any:
    """A resource with each number as its digits stand and each object without order: equal only if the same text."""
    return json.loads(dump(resource), parse_float=lambda digits: ("number", digits), parse_int=lambda d: ("number", d))
