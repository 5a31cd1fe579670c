"""A reading becomes an Observation and comes back the same; a mapping that errs is found out.

The hand-written files in `handwritten/` were written from R4's own pages (https://hl7.org/fhir/R4/observation.html),
without reading the mapping.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings

from service.domain import concepts as declaration
from service.domain.field import UNKNOWN
from service.domain.kinds import KINDS
from service.domain.measurement import Coded, Measurement, MeasurementKind, Quantity
from service.errors import Invalid
from service.fhir import observation, reading
from service.fhir.observation import to_observation, to_panel
from service.fhir.reading import from_observation
from service.fhir.text import Json, dump, parse
from service.fhir.validation import issues_of

from .example_readings import example_of
from .measurements import Stated, as_written, handwritten, measurements, places

STATED = list(handwritten())
SINGLE = [stated for stated in STATED if not stated.is_whole]


def there_and_back(measurement: Measurement) -> Measurement:
    return from_observation(parse(dump(to_observation(measurement))))


def errors_of(resource: Json) -> list[str]:
    return [str(issue) for issue in issues_of(resource) if issue.severity in ("error", "fatal")]


def exactly(measurement: Measurement) -> str:
    """A reading to the last zero and offset: Decimal("1.50") equals Decimal("1.5"), and 9:00+01:00 equals 8:00Z."""
    context, axes = dict(sorted(measurement.context.items())), dict(sorted(measurement.axes.items()))
    return repr(replace(measurement, context=context, axes=axes))


@settings(deadline=None, max_examples=300)
@given(measurements())
def test_every_reading_comes_back_the_same(measurement: Measurement) -> None:
    back = there_and_back(measurement)
    assert back == measurement
    assert exactly(back) == exactly(measurement)


@settings(deadline=None, max_examples=150)
@given(measurements())
def test_every_reading_is_r4(measurement: Measurement) -> None:
    """Without its profile: numbers drawn at random often break the bounds of the trade, which are not R4's."""
    resource = parse(dump(to_observation(measurement)))
    del resource["meta"]
    assert errors_of(resource) == []


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_every_code_at_every_site_comes_back(kind: MeasurementKind) -> None:
    """All of them, not a sample: codes times sites, and each answer of each field."""
    start = sample_of(kind)
    for _, axes in kind.concepts.values():
        for site in places(kind, axes):
            each = replace(start, axes=axes, site=site)
            assert there_and_back(each) == each
    for field in kind.context_fields:
        for answer in field.codes if field.choices or not field.required else ():
            each = replace(start, context={**start.context, field.name: answer})
            assert there_and_back(each) == each
    for code in kind.values:
        each = replace(start, value=Coded(code))
        assert there_and_back(each) == each


def sample_of(kind: MeasurementKind) -> Measurement:
    """A reading of this kind: the hand-written one, else the example of the kind."""
    found = (m for stated in SINGLE for m in stated.measurements() if m.kind == kind.name)
    return next(found, None) or example_of(kind.name)


def test_codes_are_told_apart() -> None:
    """No two kinds share a code, and no code stands for two sets of answers."""
    codes = [code for kind in KINDS.values() for code in (*kind.concepts, *kind.panel_concepts)]
    assert len(codes) == len(set(codes))
    for kind in KINDS.values():
        sides = {site.side for axes in kind.concepts.values() for site in places(kind, axes[1])}
        combinations = list(product(sides if kind.side_in_code else [""], *(axis.codes for axis in kind.axes)))
        assert len(kind.concepts) == len(combinations)


def made_by_the_mapping(stated: Stated) -> Json:
    if stated.is_whole:
        return to_panel(stated.reading, stated.circumstances, stated.entry["members"])
    code = stated.expected["code"]["coding"][0]["code"]
    made = [to_observation(measurement) for measurement in stated.measurements()]
    return next((each for each in made if each["code"]["coding"][0]["code"] == code), made[0])


@pytest.mark.parametrize("stated", STATED, ids=lambda stated: stated.name)
def test_the_mapping_agrees_with_the_hand_written_file(stated: Stated) -> None:
    assert as_written(made_by_the_mapping(stated)) == as_written(stated.expected)


def test_the_hand_written_files_speak_of_every_kind() -> None:
    assert {stated.entry["kind"] for stated in SINGLE} == set(KINDS)
    assert any(stated.is_whole for stated in STATED)


# A mapping that errs. Each error is planted in the code, first in one direction only, where the way back must show
# it, then in both directions alike, where only the hand-written files can.


def swapped(axes: Mapping[str, str], name: str, one: str, other: str) -> dict[str, str]:
    exchange = {one: other, other: one}
    return {**axes, **({name: exchange.get(axes[name], axes[name])} if name in axes else {})}


AXES = {
    "mode": ("mode", "active", "passive"),
    "orthosis state": ("orthosis_state", "free", "in-orthosis"),
    "just out of the orthosis": ("orthosis_state", "in-orthosis", "out-of-orthosis"),
    "extension end": ("motion", "extension-deficit", "hyperextension"),
    "opposite motion": ("motion", "flexion", "extension-deficit"),
    "side of grip": ("side", "left", "right"),
}
as_declared = MeasurementKind.code


def plant_in_code(patch: pytest.MonkeyPatch, name: str) -> None:
    patch.setattr(MeasurementKind, "code", lambda kind, axes: as_declared(kind, swapped(axes, *AXES[name])))


def plant_in_site(patch: pytest.MonkeyPatch) -> None:
    honest = observation._site
    patch.setattr(observation, "_site", lambda site: honest(site.other))


def plant_in_unit(patch: pytest.MonkeyPatch) -> None:
    honest = observation.quantity
    exchange = {"kgf": "[lbf_av]", "[lbf_av]": "N", "N": "kgf", "deg": "N"}

    def exchanged(value: Quantity) -> Json:
        return honest(replace(value, unit=exchange.get(value.unit, value.unit)))

    patch.setattr(observation, "quantity", exchanged)


def plant_in_number(patch: pytest.MonkeyPatch) -> None:
    honest = observation.quantity
    patch.setattr(observation, "quantity", lambda value: honest(replace(value, number=value.number.normalize())))


def plant_in_method(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(observation, "_method", lambda _kind, _measurement: {})


def plant_in_trials(patch: pytest.MonkeyPatch) -> None:
    honest = observation._attempts
    patch.setattr(observation, "_attempts", lambda measurement: reversed(list(honest(measurement))))


ERRORS: dict[str, Callable[[pytest.MonkeyPatch], None]] = {
    **{name: lambda patch, name=name: plant_in_code(patch, name) for name in AXES},
    "side of the site": plant_in_site,
    "unit": plant_in_unit,
    "zeros of a decimal": plant_in_number,
    "method": plant_in_method,
    "order of trials": plant_in_trials,
}


@pytest.mark.parametrize("name", ERRORS)
def test_an_error_in_one_direction_is_found_both_ways(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    readings = [m for stated in SINGLE for m in stated.measurements() if m.circumstances.performer]
    assert all(is_kept(measurement) for measurement in readings)
    ERRORS[name](monkeypatch)
    assert not all(is_kept(measurement) for measurement in readings)
    assert disagreeing()


def is_kept(measurement: Measurement) -> bool:
    try:
        return exactly(there_and_back(measurement)) == exactly(measurement)
    except Invalid:
        return False


def disagreeing() -> list[str]:
    return [s.name for s in STATED if as_written(made_by_the_mapping(s)) != as_written(s.expected)]


@pytest.fixture
def fresh_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The table of codes is made anew, so that an error in it works in both directions."""
    monkeypatch.setattr(declaration, "_CONCEPTS", {})


@pytest.mark.usefixtures("fresh_codes")
@pytest.mark.parametrize("name", AXES)
def test_an_error_in_both_directions_is_found_by_the_hand_written_files(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant_in_code(monkeypatch, name)
    for kind in KINDS.values():
        measurement = sample_of(kind)
        assert there_and_back(measurement) == measurement, "the error is in both directions"
    assert disagreeing()


def test_a_side_exchanged_in_both_directions_is_found_by_the_hand_written_files(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    honest = reading.site_of_code
    monkeypatch.setattr(reading, "site_of_code", lambda code: honest(code).other)
    plant_in_site(monkeypatch)
    measurement = sample_of(KINDS["joint-motion"])
    assert there_and_back(measurement) == measurement
    assert disagreeing()


def test_a_reading_in_the_orthosis_says_so_in_its_code_and_points_at_it() -> None:
    stated = next(s for s in SINGLE if s.name == "pip-flexion-passive-in-orthosis")
    (measurement,) = stated.measurements()
    resource = to_observation(measurement)
    assert resource["code"]["coding"][0]["code"].endswith("-in-orthosis")
    assert resource["extension"][0]["valueReference"] == {"reference": stated.entry["device_use"]}


def test_a_coding_of_another_system_stands_beside_ours_only_where_it_means_the_same() -> None:
    """The LOINC codes of grip say nothing of an orthosis; a grip in one must not pass for the ordinary test."""
    for kind in KINDS.values():
        for term, _ in kind.concepts.values():
            codings = observation.concept(observation.OBSERVATION_CODE, term)["coding"]
            assert {c["code"] for c in codings} == {term.code, *(c.code for c in term.same)}
            assert not {c.code for c in term.broader} & {c["code"] for c in codings}


def test_context_that_was_not_recorded_is_said_to_be_unknown() -> None:
    kind = KINDS["grip-strength"]
    start = sample_of(kind)
    nothing = replace(start, context={field.name: UNKNOWN for field in kind.context_fields})
    stated = {c["code"]["coding"][0]["code"]: c for c in to_observation(nothing)["component"]}
    for field in kind.context_fields:
        if field.place == "component":
            reason: Any = stated[observation.field_code(field)]["dataAbsentReason"]
            assert reason["coding"][0]["code"] == "unknown"
