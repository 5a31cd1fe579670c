"""The verdicts hold the level they claim, on a small part of the grid that `python -m tests.simulation` runs whole."""

from __future__ import annotations

from random import Random

import pytest

from service.domain.change.trend import CORRELATION, SERIAL, trend_of

from . import courses
from .__main__ import COLUMNS, judged, rows

RUNS = 300
MARGIN = 0.025
"""Two standard errors of a share of 5% among as many courses."""


def truth(**more) -> courses.Truth:
    given = {"correlation": 0.4, "sem": 4.0, "visits": 15, "examiners": 1, "share": 1.0, "published": True}
    return courses.Truth(**{**given, **more})


@pytest.mark.parametrize("published", [True, False])
@pytest.mark.parametrize("correlation", [0.0, CORRELATION])
def test_of_hands_that_truly_gain_few_are_called_a_plateau(correlation, published) -> None:
    found = judged(truth(correlation=correlation, published=published), RUNS, Random(1))
    assert found["plateau"] / RUNS <= 0.05 + MARGIN
    assert found["gaining"] / RUNS > 0.5


@pytest.mark.parametrize("examiners", [1, 2])
def test_of_hands_that_stand_still_few_are_called_gaining(examiners) -> None:
    found = judged(truth(share=0.0, examiners=examiners), RUNS, Random(2))
    assert found["gaining"] / RUNS <= 0.025 + MARGIN
    assert found["losing"] / RUNS <= 0.025 + MARGIN


def test_four_visits_tell_nothing() -> None:
    found = judged(truth(visits=4, share=0.0), 50, Random(3))
    assert found["cannot-be-told"] == found["no interval"] == 50


def test_the_answer_says_where_the_level_ends() -> None:
    line = courses.course_of(truth(), Random(4))
    assert f"correlated by up to {CORRELATION}" in SERIAL
    assert SERIAL in trend_of(line).notes


def test_the_table_has_a_row_for_every_error_and_correlation() -> None:
    found = {each: judged(each, 1, Random(5)) for each in courses.grid()}
    table = list(rows(found, 1))
    assert len(table) == 24
    assert {len(row) for row in table} == {len(COLUMNS)}
