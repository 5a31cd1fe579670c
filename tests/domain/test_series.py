"""Which readings may stand in one line, and what is marked when it changed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.kinds import KINDS
from service.domain.series import compare, in_series, key_of, watched
from tests.fhir.example_readings import example_of


def test_both_names_of_one_direction_are_one_line(visits) -> None:
    before = visits.end("right-index-pip", "extension-deficit", "10", 1)
    after = visits.end("right-index-pip", "hyperextension", "5", 8)
    other = visits.end("right-index-pip", "flexion", "60", 8)
    assert key_of(before) == key_of(after) != key_of(other)
    assert compare(before, after).comparable


@pytest.mark.parametrize(
    ("field", "answer", "words"),
    [
        ("mode", "passive", "mode: active before, passive now"),
        ("orthosis_state", "in-orthosis", "orthosis state: free before, in-orthosis now"),
        ("together", "unknown", "together: together before, unknown now"),
        ("treatment", "after", "treatment: unknown before, after now"),
    ],
)
def test_what_never_mixes_is_told(visits, field, answer, words) -> None:
    before = visits.end("right-index-pip", "flexion", "60", 1)
    after = visits.end("right-index-pip", "flexion", "70", 8, **{field: answer})
    found = compare(before, after)
    assert not found.comparable
    assert found.because == (words,)


def test_unknown_matches_only_unknown(visits) -> None:
    first = visits.end("right-index-pip", "flexion", "60", 1, together="unknown")
    second = visits.end("right-index-pip", "flexion", "70", 8, together="unknown")
    assert compare(first, second).comparable


@pytest.mark.parametrize(("field", "answer"), [("method", "estimate"), ("instrument", "the blue goniometer")])
def test_what_is_watched_is_marked_but_does_not_part(visits, field, answer) -> None:
    before = visits.end("right-index-pip", "flexion", "60", 1)
    after = visits.end("right-index-pip", "flexion", "70", 8, **{field: answer})
    found = compare(before, after)
    assert found.comparable
    assert found.changed == (f"{field}: unknown before, {answer} now",)


def test_the_examiner_and_the_time_of_day_are_watched(visits) -> None:
    before = visits.grip("right", "30 31 32", 1)
    around = before.circumstances
    moved = replace(around, taken=around.taken + timedelta(days=7, hours=4), performer_name="A. B.")
    found = compare(before, replace(before, circumstances=moved))
    assert found.changed == ("performer: unknown before, A. B. now", "time of day: morning before, afternoon now")


def test_kinds_and_sites_are_told_apart(visits) -> None:
    grip = visits.grip("right", "30 31 32")
    touch = visits.touch("right-index-tip", "2.83")
    assert compare(grip, touch).because == ("grip-strength and touch-threshold are different kinds",)
    assert compare(grip, visits.grip("left", "30 31 32", 2)).because == ("site: right-hand before, left-hand now",)


def test_lines_are_in_order_of_time(visits) -> None:
    for day, amount in ((9, "70"), (1, "60"), (5, "65")):
        visits.end("right-index-pip", "flexion", amount, day)
        visits.end("right-index-pip", "flexion", amount, day, mode="passive")
    lines = in_series(visits.readings)
    assert [[m.number for m in line] for line in lines.values()] == [[60, 65, 70]] * 2


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.name)
def test_every_watched_field_has_an_answer(visits, kind) -> None:
    first = {
        "joint-motion": lambda: visits.end("right-wrist", "flexion", "60"),
        "grip-strength": lambda: visits.grip("right", "30 31"),
        "touch-threshold": lambda: visits.touch("right-palm", "2.83"),
    }
    reading = first.get(kind.name, lambda: example_of(kind.name))()
    assert set(watched(reading)) == set(kind.watched)
    assert all(watched(reading).values())
    assert len(key_of(reading)) == len(kind.series_key) + 1
