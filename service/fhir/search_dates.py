"""FHIR dates as intervals, and what a date search means of them.

A FHIR date is an interval as wide as its precision (https://hl7.org/fhir/R4/search.html#date): `2026-03` is the whole
of March. Every interval here holds both readings of it: the instants, in microseconds since 1970-01-01T00:00Z, and
the calendar days as the writer's clock showed them, as proleptic ordinals (0001-01-01 is 1). A search value without a
time of day asks about days, one with a time asks about instants.
"""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any

OPEN_START = -(2**62)
"""Start of a period that names none: before everything."""
OPEN_END = 2**62
"""End of a period that names none: after everything."""
UNDATED = OPEN_START - 1
"""Stands where a resource has no date at all; below every start, so it sorts last when newest comes first."""

_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - offsets are applied as integers, so years 1 and 9999 do not overflow
_EPOCH_IN_UTC = _EPOCH.replace(tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)

_FORM = re.compile(
    r"(?P<year>[0-9]{4})(-(?P<month>[0-9]{2})(-(?P<day>[0-9]{2})"
    r"(T(?P<hour>[0-9]{2}):(?P<minute>[0-9]{2})(:(?P<second>[0-9]{2})(\.(?P<fraction>[0-9]+))?)?"
    r"(?P<zone>Z|[+-][0-9]{2}:[0-9]{2})?)?)?)?"
)


@dataclass(frozen=True, slots=True)
class Interval:
    """What a date covers: instants `lo`..`hi` (microseconds) and local days `first`..`last`, all inclusive.

    `timed` tells whether a time of day was written.
    """

    lo: int
    hi: int
    first: int
    last: int
    timed: bool = False


def micros(moment: datetime) -> int:
    """An aware datetime as microseconds since 1970-01-01T00:00Z."""
    return (moment.astimezone(UTC).replace(tzinfo=None) - _EPOCH) // _MICROSECOND


def moment(value: int) -> datetime:
    """The inverse of `micros`, in UTC."""
    return _EPOCH_IN_UTC + timedelta(microseconds=value)


def is_date(text: str) -> bool:
    """Whether a text has the form of a FHIR date, dateTime or instant."""
    return _FORM.fullmatch(text) is not None


def interval(text: str, zone: tzinfo | None = None) -> Interval:
    """The interval a FHIR date, dateTime or instant covers.

    A time of day without an offset is read in `zone`. A date without a time counts its instants in `zone`, or in UTC
    when none is given. Raises ValueError, in words, on anything else.
    """
    match = _FORM.fullmatch(text)
    if match is None:
        raise ValueError("is not a date such as 2026, 2026-03, 2026-03-01 or 2026-03-01T10:00:00+01:00")
    first, last = _days(match)
    if match["hour"] is None:
        start = datetime(first.year, first.month, first.day)  # noqa: DTZ001 - the offset is taken off below
        end = datetime(last.year, last.month, last.day, 23, 59, 59, 999999)  # noqa: DTZ001
        lo, hi = (_instant(edge, _offset(edge, None, zone or UTC)) for edge in (start, end))
        return Interval(lo, hi, first.toordinal(), last.toordinal())
    if match["zone"] is None and zone is None:
        raise ValueError("has a time of day but no offset from UTC, such as Z or +01:00")
    lo, width = _timed(match, first, zone)
    return Interval(lo, lo + width - 1, first.toordinal(), first.toordinal(), timed=True)


def _days(match: re.Match[str]) -> tuple[date, date]:
    year, month, day = int(match["year"]), match["month"], match["day"]
    try:
        first = date(year, int(month or 1), int(day or 1))
    except ValueError:
        raise ValueError("is no day of the calendar") from None
    if day is not None:
        return first, first
    last_month = int(month or 12)
    return first, date(year, last_month, monthrange(year, last_month)[1])


def _timed(match: re.Match[str], day: date, zone: tzinfo | None) -> tuple[int, int]:
    """Start and width, in microseconds, of a date with a time of day."""
    second, fraction = match["second"], match["fraction"]
    seconds = int(second or 0)
    if seconds > 60:
        raise ValueError("has more than 60 seconds")
    leap, seconds = (seconds == 60), min(seconds, 59)
    if int(match["hour"]) > 23 or int(match["minute"]) > 59:
        raise ValueError("has a time of day that no clock shows")
    naive = datetime(day.year, day.month, day.day, int(match["hour"]), int(match["minute"]), seconds)  # noqa: DTZ001
    lo = _instant(naive, _offset(naive, match["zone"], zone)) + (1_000_000 if leap else 0)
    if second is None:
        return lo, 60_000_000
    if fraction is None:
        return lo, 1_000_000
    return lo + int(fraction[:6].ljust(6, "0")), 10 ** max(0, 6 - len(fraction))


def _instant(naive: datetime, offset: timedelta) -> int:
    return int((naive - _EPOCH - offset) // _MICROSECOND)


def _offset(naive: datetime, written: str | None, zone: tzinfo | None) -> timedelta:
    if written == "Z":
        return timedelta(0)
    if written:
        hours, minutes = int(written[1:3]), int(written[4:6])
        if hours > 14 or minutes > 59:
            raise ValueError(f"has the impossible offset {written}")
        size = timedelta(hours=hours, minutes=minutes)
        return -size if written[0] == "-" else size
    if zone is None:
        raise ValueError("has a time of day but no offset from UTC, such as Z or +01:00")
    return naive.replace(tzinfo=zone).utcoffset() or timedelta(0)


def period(value: dict[str, Any]) -> Interval | None:
    """The interval of a FHIR Period; an absent end is open. None when neither end is there."""
    start, end = value.get("start"), value.get("end")
    if start is None and end is None:
        return None
    opening = interval(start) if start is not None else Interval(OPEN_START, OPEN_START, OPEN_START, OPEN_START)
    closing = interval(end) if end is not None else Interval(OPEN_END, OPEN_END, OPEN_END, OPEN_END)
    return Interval(opening.lo, closing.hi, opening.first, closing.last, timed=opening.timed or closing.timed)


def matches(prefix: str, wanted: Interval, found: Interval) -> bool:
    """Does a date answer a search? By days if the search names no time of day, by instants if it does."""
    if wanted.timed:
        return holds(prefix, (wanted.lo, wanted.hi), (found.lo, found.hi))
    return holds(prefix, (wanted.first, wanted.last), (found.first, found.last))


def holds(prefix: str, wanted: tuple[int, int], found: tuple[int, int]) -> bool:
    """Does the interval `found` answer `prefix` with the interval `wanted`? Both inclusive.

    The meaning of each prefix on intervals: https://hl7.org/fhir/R4/search.html#prefix. `ap` widens the wanted
    interval by its own width on either side, which the standard leaves to the server.
    """
    (lo, hi), (start, end) = wanted, found
    width = hi - lo + 1
    inside = lo <= start and end <= hi
    return {
        "eq": inside,
        "ne": not inside,
        "gt": end > hi,
        "lt": start < lo,
        "ge": end > hi or inside,
        "le": start < lo or inside,
        "sa": start > hi,
        "eb": end < lo,
        "ap": start <= hi + width and end >= lo - width,
    }[prefix]
