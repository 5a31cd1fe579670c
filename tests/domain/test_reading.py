"""From an entry to checked measurements: what is read, refused and asked about."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from service.domain.anatomy import PARTS, SIDES
from service.domain.arcs import CONVENTIONS
from service.domain.field import UNKNOWN
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, Absent, Coded, Entry, Quantity
from service.domain.reading import check, check_against_last, check_visit, confirmed
from service.domain.units import UNITS
from service.errors import Invalid


def rules(error) -> set[str]:
    return {issue.rule for issue in error.value.issues}


def joint(value="0-10-90", **changes) -> Entry:
    given = {"motion": "extension-flexion", "mode": "active"}
    made = {"unit": "deg", "convention": "neutral-zero", "fields": given, "side": "right", "site": "index-pip"}
    return Entry("joint-motion", value=value, **{**made, **changes})


def test_what_was_not_said_is_unknown(visits) -> None:
    for reading in visits.enter(joint()):
        assert reading.answer("together") == reading.answer("orthosis_state") == reading.answer("treatment") == UNKNOWN
        assert reading.answer("mode") == "active"
        names = {f.name for f in KINDS["joint-motion"].all_fields} | {"convention"}
        assert set(reading.axes) | set(reading.context) == names


def test_the_text_of_another_convention_is_kept(visits) -> None:
    assert {m.entered for m in visits.enter(joint())} == {"0-10-90"}
    assert {m.entered for m in visits.enter(joint("10", convention="named", fields={"motion": "flexion"}))} == {""}


def test_every_fault_is_told_at_once(visits) -> None:
    with pytest.raises(Invalid) as error:
        visits.enter(Entry("joint-motion", "right", "palm", "", "kgf", "", {"colour": "red"}, ("1",)))
    assert rules(error) == {"site-of-kind", "known-field", "unit-of-kind", "convention", "trials"}


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"unit": ""}, "unit"),
        ({"unit": "kgf"}, "unit-of-kind"),
        ({"convention": ""}, "convention"),
        ({"convention": "plus-is-deficit"}, "convention"),
        ({"side": "both"}, "side-of-part"),
        ({"side": "middle"}, "known-side"),
        ({"site": "thumb-pip"}, "known-site"),
        ({"site": "palm"}, "site-of-kind"),
        ({"value": ""}, "value-or-reason"),
        ({"fields": {"motion": "extension-flexion", "mode": "quick"}}, "known-answer"),
        ({"fields": {"motion": "extension-flexion", "colour": "red"}}, "known-field"),
        ({"fields": {}}, "motion-of-joint"),
        ({"value": "", "absent": "forgotten", "fields": {"motion": "flexion"}}, "absent-reason"),
        ({"absent": "not-performed"}, ""),
    ],
)
def test_what_cannot_be_read_names_its_rule(visits, changes, rule) -> None:
    with pytest.raises(Invalid) as error:
        visits.enter(joint(**changes))
    assert rules(error) == {rule}
    assert all(issue.message.endswith(".") for issue in error.value.issues)


def test_an_unknown_kind_is_refused(visits) -> None:
    with pytest.raises(Invalid, match="'smile' is not a kind of measurement"):
        visits.enter(Entry("smile", "right", "hand", "1"))


def test_a_missing_value_has_its_reason_and_no_number(visits) -> None:
    (made,) = visits.enter(joint("", absent="stopped-for-pain", fields={"motion": "flexion", "mode": "active"}))
    assert made.value == Absent("stopped-for-pain")
    assert made.number is None
    assert check(made) == []


def test_force_is_not_mass(visits) -> None:
    with pytest.raises(Invalid, match="A dial marked kg or lb shows a force"):
        visits.enter(Entry("grip-strength", "right", "hand", "30", "kg"))


@pytest.mark.published(source="bodyPerformance.csv: 3 of 13,393 grip values are 0.0, missing values written as zero")
@pytest.mark.parametrize(("value", "trials"), [("0", ""), ("0.0", ""), ("", "30 0 31"), ("", "0 0")])
def test_a_grip_of_0_is_asked_about(visits, value, trials) -> None:
    reading = visits.grip("right", trials, value=value)
    assert {(f.grade, f.issue.rule) for f in check(reading)} == {("ask", "zero-grip")}


@pytest.mark.parametrize(
    ("value", "unit", "found"),
    [("80", "kgf", None), ("81", "kgf", "ask"), ("120", "kgf", "ask"), ("121", "kgf", "refuse"),
     ("176", "[lbf_av]", None), ("177", "[lbf_av]", "ask"), ("265", "[lbf_av]", "refuse"), ("785", "N", "ask")],
)  # fmt: skip
def test_bounds_hold_in_every_unit(visits, value, unit, found) -> None:
    grades = [f.grade for f in check(visits.grip("right", value=value, unit=unit))]
    assert grades == ([found] if found else [])


def test_a_single_trial_beyond_the_bound_is_refused(visits) -> None:
    reading = visits.grip("right", "30 310 31")
    assert {f.issue.rule for f in check(reading) if f.grade == "refuse"} == {"hard-bound"}


def test_a_negative_force_is_refused(visits) -> None:
    reading = visits.grip("right", "30 -31 31")
    assert ("refuse", "not-negative") in [(f.grade, f.issue.rule) for f in check(reading)]


@pytest.mark.parametrize(
    ("before", "now", "asked"),
    [("30", "66", True), ("66", "30", True), ("30", "294", True), ("3", "30", True), ("30", "3.0", True),
     ("30", "60", False), ("30", "31", False), ("0", "30", False), ("30", "0", False)],
)  # fmt: skip
def test_a_ratio_of_two_units_is_asked_about(visits, before, now, asked) -> None:
    last = visits.grip("right", value=before, day=1)
    found = check_against_last(visits.grip("right", value=now, day=8), last)
    assert [(f.grade, f.issue.rule) for f in found] == [("ask", "unit-ratio")] * asked


def test_the_ratio_is_one_of_forces_not_of_numbers(visits) -> None:
    last = visits.grip("right", value="30", unit="kgf", day=1)
    assert check_against_last(visits.grip("right", value="66", unit="[lbf_av]", day=8), last) == []
    assert check_against_last(visits.grip("right", value="30", unit="[lbf_av]", day=8), last) != []


@pytest.mark.parametrize("change", [{"handle_position": "3"}, {"treatment": "after"}])
def test_only_comparable_readings_are_held_against_each_other(visits, change) -> None:
    last = visits.grip("right", value="30", day=1)
    assert check_against_last(visits.grip("right", value="66", day=8, **change), last) == []
    assert check_against_last(visits.grip("left", value="66", day=8), last) == []
    assert check_against_last(visits.grip("right", value="66", day=8), None) == []


def test_angles_are_not_held_against_units(visits) -> None:
    last = visits.end("right-index-pip", "flexion", "30", 1)
    assert check_against_last(visits.end("right-index-pip", "flexion", "66", 8), last) == []


def test_a_confirmed_reading_keeps_what_was_asked_and_why(visits) -> None:
    reading = visits.grip("right", value="85")
    kept = confirmed(reading, check(reading), "strong man, read twice")
    assert [(c.rule, c.reason) for c in kept.cautions] == [("soft-bound", "strong man, read twice")]
    assert kept.value == reading.value
    assert len(confirmed(kept, check(reading), "again").cautions) == 2


words = st.sampled_from(
    ["", "12", "0", "-5", "0-20-90", "90-20-0", "-10/80", "2.83", "6.65", "not-felt", "1e400", "NaN"]
)


@st.composite
def entries(draw) -> Entry:
    """Entries made mostly of words that belong, some of them not to each other."""
    kind = draw(st.sampled_from([*KINDS.values()]))
    parts = st.sampled_from(kind.sites) if draw(st.booleans()) else st.sampled_from([*PARTS, "", "nose"])
    fields = {}
    for field in kind.all_fields:
        allowed = [*field.choices, UNKNOWN, "", "nonsense", *kind.panels, "extension"]
        if draw(st.booleans()):
            fields[field.name] = draw(st.sampled_from(allowed))
    if draw(st.booleans()):
        fields["summary_rule"] = draw(st.sampled_from(["mean-of-trials", "best-of-trials", "single-value", "mode"]))
    return Entry(
        kind.name,
        draw(st.sampled_from(SIDES)),
        draw(parts),
        draw(words | st.text(max_size=6)),
        draw(st.sampled_from(["", *kind.units, *UNITS])),
        draw(st.sampled_from(["", *CONVENTIONS])),
        fields,
        tuple(draw(st.lists(words | st.sampled_from(list(ABSENT_REASONS)), max_size=3))),
        draw(st.sampled_from(["", "", "", *ABSENT_REASONS])),
    )


@settings(max_examples=600)
@given(entries())
def test_an_entry_is_read_or_refused_and_nothing_else(fresh, entry) -> None:
    record = fresh()
    told, made = (), ()
    try:
        made = record.enter(entry)
    except Invalid as error:
        told = error.issues
    event("read" if made else "refused")
    assert bool(told) != bool(made)
    assert all(issue.message and issue.severity == "error" for issue in told)
    kind = KINDS[entry.kind]
    for reading in made:
        assert isinstance(reading.value, Quantity | Coded | Absent)
        assert kind.code(reading.axes) in kind.concepts
        if isinstance(reading.value, Coded):
            assert reading.value.code in kind.values
        if entry.kind == "joint-motion" and reading.number is not None:
            assert reading.number >= 0
        for finding in check(reading):
            assert finding.grade in ("refuse", "ask")
            assert finding.issue.rule
    assert all(f.issue.rule for _, f in check_visit(made))


@given(st.integers(0, 120), st.integers(0, 120))
def test_an_arc_says_the_same_in_every_convention(fresh, deficit, more) -> None:
    texts = {
        "neutral-zero": f"0-{deficit}-{deficit + more}",
        "minus-is-deficit": f"-{deficit}/{deficit + more}",
        "minus-is-hyperextension": f"{deficit}/{deficit + more}",
    }
    found = [
        {(m.answer("motion"), m.number) for m in fresh().enter(joint(text, convention=name))}
        for name, text in texts.items()
    ]
    assert found[0] == found[1] == found[2] == {("extension-deficit", deficit), ("flexion", Decimal(deficit + more))}
