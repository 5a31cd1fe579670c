"""What one value of a search asks of one row: of the general index, or of the columns of a narrow one."""

from __future__ import annotations

from collections.abc import Iterable

from service.fhir.search_dates import OPEN_START
from service.fhir.search_parameters import Amount, Choice, Clause, Measure, Moment, Text
from service.fhir.search_query import Wanted
from service.storage.sql import Sql, both, either, equals


def row_condition(choice: Wanted) -> Sql:
    """The condition on a row of the general index, called `s`. Raises `TypeError` for what is about several rows."""
    if isinstance(choice, Amount):
        return both([Sql("s.lo IS NOT NULL"), either(_measured(choice.prefix, one) for one in choice.measures)])
    if isinstance(choice, Moment):
        return both([Sql("s.lo IS NOT NULL"), dated(choice, "s.lo", "s.hi", "s.")])
    if isinstance(choice, Choice):
        return both([Sql("s.lo IS NULL"), pair(choice, "s.qualifier", "s.value")])
    if not isinstance(choice, Text):
        raise TypeError(f"{choice} is about more than one row")
    if choice.how == "exact":
        return Sql("s.lo IS NULL AND s.qualifier = ?", (choice.value,))
    if choice.how == "contains":
        escaped = choice.value.replace("!", "!!").replace("%", "!%").replace("_", "!_")
        return Sql("s.lo IS NULL AND s.value LIKE ? ESCAPE '!'", (f"%{escaped}%",))
    return Sql("s.lo IS NULL AND s.value >= ? AND s.value < ?", (choice.value, choice.value + "\U0010ffff"))


def _measured(prefix: str, one: Measure) -> Sql:
    named = pair(Choice(one.system, one.code), "s.qualifier", "s.value")
    return both([named, compare(prefix, (one.lo, one.hi), "s.lo", "s.hi")])


def pairs(clause: Clause, qualifier: str, value: str) -> Sql:
    """One of the choices of a clause fits the two columns."""
    return either(pair(choice, qualifier, value) for choice in clause.choices if isinstance(choice, Choice))


def pair(choice: Choice, qualifier: str, value: str) -> Sql:
    """A token or reference fits the two columns."""
    parts = []
    if choice.value is not None:
        parts.append(equals(value, choice.value))
    if choice.qualifier is not None:
        parts.append(equals(qualifier, choice.qualifier))
    return both(parts)


_SLACK = 2 * 86_400_000_000
"""Two days, in microseconds: no two clocks on earth are further apart."""


def dated(choice: Moment, start: str, end: str, of: str = "") -> Sql:
    """A search that names a time compares instants, any other compares days."""
    wanted = choice.wanted
    known = Sql(f"{start} >= ?", (OPEN_START,))
    if wanted.timed:
        return both([known, compare(choice.prefix, (wanted.lo, wanted.hi), start, end)])
    by_day = compare(choice.prefix, (wanted.first, wanted.last), f"{of}first_day", f"{of}last_day")
    # Days decide; the instants, a little wider on either side, are there for the index on them.
    return both([known, by_day, *_bounds(choice, start)])


def _bounds(choice: Moment, start: str) -> Iterable[Sql]:
    wanted = choice.wanted
    if choice.prefix in ("eq", "sa"):
        yield Sql(f"{start} >= ?", (wanted.lo - _SLACK,))
    if choice.prefix in ("eq", "le", "lt", "eb"):
        yield Sql(f"{start} <= ?", (wanted.hi + _SLACK,))


_COMPARISONS = {
    "eq": "{start} >= {lo} AND {end} <= {hi}",
    "ne": "NOT ({start} >= {lo} AND {end} <= {hi})",
    "gt": "{end} > {hi}",
    "lt": "{start} < {lo}",
    "ge": "{end} > {hi} OR ({start} >= {lo} AND {end} <= {hi})",
    "le": "{start} < {lo} OR ({start} >= {lo} AND {end} <= {hi})",
    "sa": "{start} > {hi}",
    "eb": "{end} < {lo}",
    "ap": "{start} <= {hi} + {width} AND {end} >= {lo} - {width}",
    "overlaps": "{start} <= {hi} AND {end} >= {lo}",
}
"""`search_dates.holds`, in SQL; `overlaps` is what `ap` means for amounts, whose limits are widened already."""


def compare(prefix: str, wanted: tuple[int, int], start: str, end: str) -> Sql:
    """The interval between two columns answers a prefix with the wanted one."""
    lo, hi = wanted
    # The bounds are whole numbers of our own reckoning, so they may stand in the text.
    return Sql(_COMPARISONS[prefix].format(start=start, end=end, lo=int(lo), hi=int(hi), width=int(hi - lo + 1)))
