"""Change between two visits against the error of measurement: improved beyond it, worse beyond it, or within it.

Sources: MDC95 = 1.96 x sqrt(2) x SEM (PMC6558857, table 1); reliable change index = change / (sqrt(2) x SEM)
(Jacobson & Truax, J Consult Clin Psychol 1991;59:12). Which published error counts, and that the largest of several
does, is a rule of this record.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import sqrt
from typing import Literal

from service.domain.change.comparable import Point, Trajectory, changes
from service.domain.change.noise import MDC_TO_SEM
from service.domain.change.trend import line_through, strata_of
from service.domain.error import ELSEWHERE, PublishedError
from service.domain.metric import Missing
from service.domain.units import convert, rounded

Verdict = Literal["improved", "worse", "increased", "decreased", "within-error", "no-published-error", "cannot-be-told"]
WORDS: dict[Verdict, str] = {
    "improved": "improved beyond error",
    "worse": "worse beyond error",
    "increased": "increased beyond error",
    "decreased": "decreased beyond error",
    "within-error": "within error",
    "no-published-error": "no published error",
    "cannot-be-told": "cannot be told",
}
BEYOND: tuple[Verdict, ...] = ("improved", "worse", "increased", "decreased")
RATE_OF_ERROR = Fraction(5, 100)
"""How often error alone makes a change that is beyond a detectable change at the level of 95%."""
FEWEST_FOR_SPREAD = 6
UNSTEADY = 1.5
"""From so many visits on, values that vary so many times as much as the error are said to: a rule of this record."""
BASELINES: dict[str, str] = {
    "first-visit": "the first visit that has the measure",
    "last-visit-before": "the last visit before a day that was named",
    "visit-before": "the visit before the last one",
}
"""The rules by which the value to compare with is chosen, before it is looked at. None of them picks a worst value."""


@dataclass(frozen=True, slots=True)
class Limit:
    """The detectable change that counts, in the trajectory's unit, at the level of 95%.

    `most` is from the upper end of the largest error published, and decides; `least` from the lower end of the
    smallest. `sem` is the standard error that goes with `most`.
    """

    least: Decimal
    most: Decimal
    sem: Decimal
    errors: tuple[PublishedError, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """How much a measure changed between two visits.

    `percent` is of the earlier value and never stands without the amount; `index` is the reliable change index.
    `examiners` is `same`, `different` or `unknown`. `changed` is what changed around the two values. `notes` say what
    limits the verdict.
    """

    earlier: Point | Missing
    later: Point | Missing
    amount: Decimal | Missing
    percent: Decimal | Missing
    limit: Limit | Missing
    index: Decimal | Missing
    verdict: Verdict
    words: str
    days: int = 0
    examiners: Literal["same", "different", "unknown"] = "unknown"
    changed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Count:
    """Of `series` with an error, how many changed beyond it, and how many of as many error alone would show."""

    series: int
    beyond: int
    better: int
    worse: int
    by_error_alone: Decimal
    without_error: int


def ends_of(
    trajectory: Trajectory, rule: str = "first-visit", day: date | None = None, until: date | None = None
) -> tuple[Point | Missing, Point | Missing]:
    """The two points a rule of `BASELINES` compares, the later one the last up to `until`. Raises `KeyError`."""
    points = [p for p in trajectory.points if until is None or p.day <= until]
    if not points:
        none = Missing("no-value", "There is no value at any visit in this time.")
        return none, none
    if rule == "last-visit-before":
        before = [p for p in points if day is not None and p.day < day]
        reason = "There is no value before that day."
        return (before[-1] if before else Missing("no-baseline", reason)), points[-1]
    start = {"first-visit": points[0], "visit-before": points[-2] if len(points) > 1 else points[0]}[rule]
    return start, points[-1]


def change_of(trajectory: Trajectory, earlier: Point | Missing, later: Point | Missing) -> Change:
    """The change from one point of a trajectory to another, with its verdict."""
    missing = next((each for each in (earlier, later) if isinstance(each, Missing)), None)
    if not isinstance(earlier, Point) or not isinstance(later, Point):
        assert missing is not None  # noqa: S101 - one of the two is Missing
        return _untold(earlier, later, missing)
    if earlier.when >= later.when:
        return _untold(earlier, later, Missing("one-visit", "There is a value of one visit only in this time."))
    examiners = _examiners(earlier, later)
    limit = limit_of(trajectory, examiners)
    amount = later.value - earlier.value
    verdict = _verdict(trajectory, amount, limit)
    return Change(
        earlier=earlier,
        later=later,
        amount=amount,
        percent=_percent(trajectory, earlier.value, amount),
        limit=limit,
        index=limit
        if isinstance(limit, Missing)
        else rounded(Fraction(amount) / Fraction(sqrt(2)) / Fraction(limit.sem), 4),
        verdict=verdict,
        words=_words(trajectory, verdict, amount, limit),
        days=(later.day - earlier.day).days,
        examiners=examiners,
        changed=changes(earlier, later),
        notes=(*_notes(examiners, limit), *_unsteady(trajectory, limit)),
    )


def _untold(earlier: Point | Missing, later: Point | Missing, why: Missing) -> Change:
    words = f"{WORDS['cannot-be-told']}: {why.reason}"
    return Change(earlier, later, why, why, why, why, "cannot-be-told", words)


def _examiners(earlier: Point, later: Point) -> Literal["same", "different", "unknown"]:
    names = {earlier.examiner, later.examiner}
    if "unknown" in names or "" in names:
        return "unknown"
    return "same" if len(names) == 1 else "different"


def limit_of(trajectory: Trajectory, examiners: str = "same") -> Limit | Missing:
    """The detectable change of a trajectory for two readings of the same or of different examiners, or why none."""
    if trajectory.scale == "rank":
        return Missing("ranks", "No error is published in steps of this list.")
    if not trajectory.errors and trajectory.key[0] in ELSEWHERE:
        return Missing("published-elsewhere", f"No verdict here: {ELSEWHERE[trajectory.key[0]]}.")
    if not trajectory.errors:
        return Missing("not-published", "No error is published for this measure under these conditions.")
    fit = [e for e in trajectory.errors if examiners != "different" or covers_raters(e)]
    if not fit:
        reason = "The examiners differ, and no error between examiners is published for this measure."
        return Missing("not-published-between", reason)
    ends = [(_mdc(e, e.low, trajectory.unit), _mdc(e, e.high, trajectory.unit)) for e in fit]
    most = max(high for _, high in ends)
    sem = rounded(Fraction(most) / Fraction(MDC_TO_SEM), 4)
    return Limit(min(low for low, _ in ends), most, sem, tuple(fit))


def covers_raters(error: PublishedError) -> bool:
    """Whether an error was published for readings of different examiners."""
    return "between" in error.raters


def _mdc(error: PublishedError, value: Decimal, unit: str) -> Decimal:
    there = convert(value, error.unit, unit)
    return there if error.statistic == "MDC" else rounded(Fraction(there) * Fraction(MDC_TO_SEM), 4)


def _verdict(trajectory: Trajectory, amount: Decimal, limit: Limit | Missing) -> Verdict:
    if isinstance(limit, Missing):
        return "no-published-error"
    if abs(amount) <= limit.most:
        return "within-error"
    if trajectory.better == "unstated":
        return "increased" if amount > 0 else "decreased"
    return "improved" if (amount > 0) == (trajectory.better == "more") else "worse"


def _words(trajectory: Trajectory, verdict: Verdict, amount: Decimal, limit: Limit | Missing) -> str:
    told = WORDS[verdict]
    if isinstance(limit, Missing) and limit.rule == "published-elsewhere":
        return limit.reason.removesuffix(".")
    if isinstance(limit, Missing):
        return f"{told}: whether this is more than error cannot be told"
    least, most = (f"{rounded(Fraction(end), 1):f} {trajectory.unit}" for end in (limit.least, limit.most))
    if verdict == "within-error" and abs(amount) > limit.least:
        return f"{told} ({most}), though beyond the smallest error published ({least})"
    return f"{told} ({most})"


def _percent(trajectory: Trajectory, start: Decimal, amount: Decimal) -> Decimal | Missing:
    if trajectory.is_position or trajectory.scale == "rank":
        return Missing("no-ratio", "A position or a step has no zero that means none: it has no percent.")
    if start <= 0:
        return Missing("no-ratio", "The earlier value is not above 0: there is nothing to make a percent of.")
    return rounded(100 * Fraction(amount) / Fraction(start), 1)


def _notes(examiners: str, limit: Limit | Missing) -> Iterable[str]:
    if examiners == "different" and not isinstance(limit, Missing):
        yield "the examiners differ: only errors published between examiners are used"
    if examiners == "unknown":
        yield "who measured is not recorded at both visits: a difference between examiners is not allowed for"
    if not isinstance(limit, Missing):
        yield from dict.fromkeys(f"error of {e.population}; {e.raters}; {e.method} ({e.source})" for e in limit.errors)


def _unsteady(trajectory: Trajectory, limit: Limit | Missing) -> Iterable[str]:
    """Whether the values vary around their own line by more than the error that the limit is made of."""
    if isinstance(limit, Missing) or len(trajectory.points) < FEWEST_FOR_SPREAD:
        return
    line = line_through(strata_of(trajectory))
    if line and line.spread > UNSTEADY * float(limit.sem):
        yield (
            f"the values vary by {rounded(Fraction(line.spread), 1)} {trajectory.unit} around their own line, more than"
            f" the error of {rounded(Fraction(limit.sem), 1)}: the limit may be too small here"
        )


def count(found: Sequence[tuple[Trajectory, Change]]) -> Count:
    """Of single readings (results of metrics are left out, they repeat them), how many changed beyond error.

    `by_error_alone` is what to expect of as many series in which nothing changed; series of one hand go together,
    so chance brings them in groups.
    """
    changes_ = [change for trajectory, change in found if not trajectory.is_metric]
    judged = [c for c in changes_ if c.verdict in (*BEYOND, "within-error")]
    return Count(
        series=len(judged),
        beyond=sum(c.verdict in BEYOND for c in judged),
        better=sum(c.verdict == "improved" for c in judged),
        worse=sum(c.verdict == "worse" for c in judged),
        by_error_alone=rounded(RATE_OF_ERROR * len(judged), 1),
        without_error=sum(c.verdict == "no-published-error" for c in changes_),
    )
