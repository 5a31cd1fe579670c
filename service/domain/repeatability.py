"""A clinic's own measurement error, from readings that were marked as repeats of one another.

The standard error of measurement is the root of the mean variance within groups of repeats (one-way analysis of
variance; Bland & Altman, BMJ 1996;312:1654 and 313:41), with an interval from the chi-squared distribution. It holds
for the readings it was made of: these examiners, instruments and patients.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.domain.arcs import direction_of
from service.domain.field import REPEAT
from service.domain.kinds import KINDS
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Missing, visit_of
from service.domain.series import key_of, watched
from service.domain.units import convert, rounded

LEAST_GROUPS = 10
"""With fewer groups no error is computed: a rule of this project."""
FACTOR = Fraction(196, 100)
"""The normal deviate of a 95% interval; the MDC is this times the square root of 2 times the SEM."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """An error in `unit`, with the 95% interval of its SEM and of its MDC95."""

    sem: Decimal
    sem_low: Decimal
    sem_high: Decimal
    mdc95: Decimal
    mdc95_low: Decimal
    mdc95_high: Decimal
    unit: str


@dataclass(frozen=True, slots=True)
class Repeatability:
    """The error of one measure, or why there is none.

    `measure` is its kind and code, `joint` the type of joint where it is of one, `raters` whether one examiner took
    all readings of a group (`same`), several did (`different`), or nobody said (`unknown`). `groups` counts groups of
    repeats, `readings` what is in them; `shift` is the mean of the last minus the first reading of a group, in the unit
    of the estimate: far from 0 where the test itself changes the hand or is learnt. `dropped` counts groups that a
    missing or bounded value made unusable.
    """

    measure: str
    joint: str
    raters: str
    groups: int
    readings: int
    dropped: int
    estimate: Estimate | Missing
    shift: Decimal | None = None


Group = tuple[Measurement, ...]


def repeatability(measurements: Iterable[Measurement]) -> tuple[Repeatability, ...]:
    """The errors of every measure that has repeats, by measure, joint and raters."""
    lines: dict[tuple[str, str, str], list[Group]] = {}
    for group in _groups(measurements):
        lines.setdefault(_line(group), []).append(group)
    return tuple(_measure(line, groups) for line, groups in sorted(lines.items()))


def _groups(measurements: Iterable[Measurement]) -> Iterable[Group]:
    """Readings of one thing at one visit, of which at least one was marked as a repeat."""
    found: dict[tuple[object, ...], list[Measurement]] = {}
    for m in measurements:
        names = KINDS[m.kind].series_key
        alike = (part for name, part in zip(names, key_of(m)[1:], strict=True) if name != REPEAT.name)
        key = (m.circumstances.subject, visit_of(m), m.kind, _measure_of(m), *alike)
        found.setdefault(key, []).append(m)
    order = ("unknown", *REPEAT.choices)
    for group in found.values():
        marks = [m.answer(REPEAT.name) for m in group]
        if len(group) > 1 and len(set(marks)) == len(marks):
            yield tuple(sorted(group, key=lambda m: order.index(m.answer(REPEAT.name))))


def _measure_of(m: Measurement) -> str:
    """The code without what tells one end of an arc from the other: a deficit and hyperextension are one line."""
    direction = direction_of(m.site.part.joint, m.answer("motion")) if m.site.part.kind == "joint" else None
    if direction is None:
        return KINDS[m.kind].code(m.axes)
    return "-".join([direction.name, *(answer for name, answer in m.axes.items() if name != "motion")])


def _line(group: Group) -> tuple[str, str, str]:
    examiners = {watched(m).get("performer", "unknown") for m in group}
    raters = "unknown" if "unknown" in examiners else "same" if len(examiners) == 1 else "different"
    return f"{group[0].kind} {_measure_of(group[0])}", group[0].site.part.joint, raters


def _measure(line: tuple[str, str, str], groups: Sequence[Group]) -> Repeatability:
    unit = next((m.value.unit for g in groups for m in g if isinstance(m.value, Quantity)), "")
    numbers = [n for g in groups for n in [_numbers(g, unit)] if n]
    estimate: Estimate | Missing
    if len(numbers) < LEAST_GROUPS:
        reason = f"{len(numbers)} groups of repeats with numbers; at least {LEAST_GROUPS} make an error."
        estimate = Missing("too-few-repeats", reason)
    else:
        estimate = estimate_of(numbers, unit)
    shift = sum((g[-1] - g[0] for g in numbers), Fraction(0)) / len(numbers) if numbers else None
    count = sum(len(g) for g in numbers)
    told = None if shift is None else rounded(shift)
    return Repeatability(*line, len(numbers), count, len(groups) - len(numbers), estimate, told)


def _numbers(group: Group, unit: str) -> list[Fraction]:
    """The numbers of a group in one unit; none where one of them has no number of its own."""
    found = []
    for m in group:
        if not isinstance(m.value, Quantity) or m.value.comparator:
            return []
        number = Fraction(convert(m.value.number, m.value.unit, unit))
        direction = direction_of(m.site.part.joint, m.answer("motion")) if m.site.part.kind == "joint" else None
        is_deficit = direction is not None and m.answer("motion") == direction.deficit
        found.append(-number if is_deficit else number)
    return found


def estimate_of(groups: Sequence[Sequence[Fraction]], unit: str) -> Estimate | Missing:
    """SEM and MDC95 from groups of repeated numbers, with the 95% interval of each."""
    from scipy.stats import chi2  # heavy, and needed here only

    freedom = sum(len(g) - 1 for g in groups)
    squares = Fraction(0)
    for group in groups:
        mean = sum(group, Fraction(0)) / len(group)
        squares += sum(((n - mean) ** 2 for n in group), Fraction(0))
    if squares == 0:
        return Missing("no-spread", "All repeats agree exactly: they were not read independently, or too coarsely.")
    low, high = (float(squares) / float(chi2.ppf(p, freedom)) for p in (0.975, 0.025))
    sems = [float(squares) / freedom, low, high]
    sem, sem_low, sem_high = (Fraction(value**0.5) for value in sems)
    to_mdc = FACTOR * Fraction(2**0.5)
    mdc, mdc_low, mdc_high = (value * to_mdc for value in (sem, sem_low, sem_high))
    return Estimate(
        sem=rounded(sem, 4),
        sem_low=rounded(sem_low, 4),
        sem_high=rounded(sem_high, 4),
        mdc95=rounded(mdc, 4),
        mdc95_low=rounded(mdc_low, 4),
        mdc95_high=rounded(mdc_high, 4),
        unit=unit,
    )
