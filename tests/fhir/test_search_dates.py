"""Dates as intervals, held against the worked examples of the standard and against sets of points."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.search_dates import OPEN_END, OPEN_START, Interval, holds, interval, matches, micros, moment, period
from service.fhir.search_parameters import PREFIXES, Moment, parse

# https://hl7.org/fhir/R4/search.html#date, "Using the date search": the rows of its table of prefixes.
FROM_21_JAN = period({"start": "2013-01-21"})
UNTIL_21_JAN = period({"end": "2013-01-21"})
FROM_15_MAR = period({"start": "2013-03-15"})
WORKED = [
    ("eq2013-01-14", interval("2013-01-14T00:00Z"), True),
    ("eq2013-01-14", interval("2013-01-14T10:00Z"), True),
    ("eq2013-01-14", interval("2013-01-15T00:00Z"), False),
    ("ne2013-01-14", interval("2013-01-15T00:00Z"), True),
    ("ne2013-01-14", interval("2013-01-14T00:00Z"), False),
    ("ne2013-01-14", interval("2013-01-14T10:00Z"), False),
    ("lt2013-01-14T10:00Z", interval("2013-01-14"), True),
    ("gt2013-01-14T10:00Z", interval("2013-01-14"), True),
    ("ge2013-03-14", FROM_21_JAN, True),
    ("le2013-03-14", FROM_21_JAN, True),
    ("sa2013-03-14", FROM_15_MAR, True),
    ("sa2013-03-14", FROM_21_JAN, False),
    ("sa2013-03-14", UNTIL_21_JAN, False),
    ("eb2013-03-14", FROM_15_MAR, False),
    ("eb2013-03-14", FROM_21_JAN, False),
    ("eb2013-03-14", UNTIL_21_JAN, True),
    ("ap2013-03-14", interval("2013-03-14"), True),
    ("ap2013-03-14", interval("2013-01-21"), False),
    ("ap2013-03-14", interval("2015-06-15"), False),
]


@pytest.mark.parametrize(("asked", "found", "answer"), WORKED)
def test_the_worked_examples_of_the_standard(asked: str, found: Interval, answer: bool) -> None:
    (clause,) = parse("Encounter", [("date", asked)]).clauses
    (wanted,) = clause.choices
    assert isinstance(wanted, Moment)
    assert matches(wanted.prefix, wanted.wanted, found) is answer


NEAR = st.integers(0, 12)


@given(st.sampled_from(PREFIXES[:-1]), st.tuples(NEAR, NEAR), st.tuples(NEAR, NEAR))
def test_a_prefix_means_what_the_standard_says_of_sets(
    prefix: str, wanted: tuple[int, int], found: tuple[int, int]
) -> None:
    """The definitions of https://hl7.org/fhir/R4/search.html#prefix, word by word, on sets of points."""
    lo, hi = sorted(wanted)
    start, end = sorted(found)
    search, target = set(range(lo, hi + 1)), set(range(start, end + 1))
    above, below = set(range(hi + 1, 20)), set(range(-20, lo))
    contains = search >= target
    expected = {
        "eq": contains,
        "ne": not contains,
        "gt": bool(above & target),
        "lt": bool(below & target),
        "ge": bool(above & target) or contains,
        "le": bool(below & target) or contains,
        "sa": not search & target and above >= target,
        "eb": not search & target and below >= target,
    }[prefix]
    assert holds(prefix, (lo, hi), (start, end)) is expected


def _day(text: str) -> int:
    return datetime.fromisoformat(text).toordinal()


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2024", "2024-01-01T00:00:00.000000", "2024-12-31T23:59:59.999999"),
        ("2024-02", "2024-02-01T00:00:00.000000", "2024-02-29T23:59:59.999999"),
        ("2024-02-29", "2024-02-29T00:00:00.000000", "2024-02-29T23:59:59.999999"),
        ("2024-02-29T10:30Z", "2024-02-29T10:30:00.000000", "2024-02-29T10:30:59.999999"),
        ("2024-02-29T10:30:15Z", "2024-02-29T10:30:15.000000", "2024-02-29T10:30:15.999999"),
        ("2024-02-29T10:30:15.25Z", "2024-02-29T10:30:15.250000", "2024-02-29T10:30:15.259999"),
        ("2024-02-29T10:30:15.1234567Z", "2024-02-29T10:30:15.123456", "2024-02-29T10:30:15.123456"),
        ("2024-02-29T23:30:00-05:00", "2024-03-01T04:30:00.000000", "2024-03-01T04:30:00.999999"),
        ("0001-01-01T00:00:00+14:00", None, None),
        ("9999-12-31T23:59:59-12:00", None, None),
    ],
)
def test_an_interval_is_as_wide_as_the_precision(text: str, first: str | None, last: str | None) -> None:
    found = interval(text)
    assert found.lo <= found.hi
    if first and last:
        edges = [micros(datetime.fromisoformat(edge).replace(tzinfo=UTC)) for edge in (first, last)]
        assert [found.lo, found.hi] == edges


def test_the_day_is_the_one_on_the_writers_clock() -> None:
    late = interval("2026-03-01T23:30:00-05:00")
    assert (late.first, late.last) == (_day("2026-03-01"), _day("2026-03-01"))
    on_the_day, next_day = (interval(text) for text in ("2026-03-01", "2026-03-02"))
    assert matches("eq", on_the_day, late)
    assert not matches("eq", next_day, late)


def test_a_time_without_an_offset_is_read_in_the_zone_given() -> None:
    vienna = ZoneInfo("Europe/Vienna")
    assert interval("2026-07-01T10:00", vienna) == interval("2026-07-01T10:00+02:00")
    assert interval("2026-01-01T10:00", vienna) == interval("2026-01-01T10:00+01:00")
    with pytest.raises(ValueError, match="no offset"):
        interval("2026-07-01T10:00")


@pytest.mark.parametrize(
    "text", ["", "26", "2026-1", "2026-13", "2026-02-30", "2026-03-01T25:00Z", "2026-03-01T10Z", "2026-03-01T10:00:61Z",
             "2026-03-01T10:00+15:00", "2026-03-01 10:00", "tomorrow", "２０２６"]
)  # fmt: skip
def test_what_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        interval(text)


YEARS = st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30))


@given(YEARS, st.integers(-840, 840))
def test_micros_and_moment_are_inverse_and_agree_with_the_text(naive: datetime, minutes: int) -> None:
    at = naive.replace(tzinfo=timezone(timedelta(minutes=minutes)))
    assert moment(micros(at)) == at
    assert interval(at.isoformat(timespec="microseconds")).lo == micros(at)


def test_a_period_is_open_where_it_names_no_end() -> None:
    assert FROM_21_JAN is not None
    assert FROM_21_JAN.hi == FROM_21_JAN.last == OPEN_END
    assert UNTIL_21_JAN is not None
    assert UNTIL_21_JAN.lo == UNTIL_21_JAN.first == OPEN_START
    assert period({}) is None
