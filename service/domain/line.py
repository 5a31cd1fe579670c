"""A measure over time: at the start, now, and by how much the two differ where they may be compared.

The start is a stated rule, never a choice: the first visit that has the measure. A change is an amount beside the
published measurement error, or not published; no judgement is made of it here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from service.domain.arcs import direction_of
from service.domain.error import PublishedError
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Missing, Result
from service.domain.series import Comparison, compare
from service.domain.units import convert

BASELINE = "the first visit that has the measure"
_TREATMENT_ORDER = ("before", "unknown", "after")


@dataclass(frozen=True, slots=True)
class Change:
    """Now minus start, in the unit of now; or why there is none. `comparison` tells what changed around the two.

    `errors` are those published for a value like either end's.
    """

    amount: Quantity | Missing
    comparison: Comparison
    errors: tuple[PublishedError, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """One measure at one site: at the start and now, each beside the other hand where that may serve as reference."""

    start: Result
    now: Result
    change: Change
    start_of_reference: Result | Missing
    now_of_reference: Result | Missing
    notes: tuple[str, ...] = ()


Beside = Callable[[Result], Result | Missing]


def line_of(results: Iterable[Result], beside: Beside) -> Line:
    """The line of one metric's results at one site; `beside` finds the percent of the other hand that goes with one."""
    ordered = sorted(results, key=_order)
    with_value = [r for r in ordered if not r.is_missing]
    if not with_value:
        last = ordered[-1]
        change = Change(Missing("no-value", "There is no result at any visit."), Comparison(False), last.errors)
        return Line(last, last, change, beside(last), beside(last))
    start, now = _ends(with_value)
    return Line(start, now, _change(start, now), beside(start), beside(now), tuple(_notes(ordered, now)))


def _order(result: Result) -> tuple[object, ...]:
    return result.taken, _TREATMENT_ORDER.index(result.conditions.get("treatment", "unknown"))


def _ends(with_value: Sequence[Result]) -> tuple[Result, Result]:
    """The first and the last visit's result; where a visit has several, a pair that may be compared is preferred."""
    first = [r for r in with_value if r.visit == with_value[0].visit]
    last = [r for r in with_value if r.visit == with_value[-1].visit]
    pairs = [(start, now) for now in last for start in first]
    return next((p for p in pairs if compare_results(*p).comparable), pairs[0])


def _change(start: Result, now: Result) -> Change:
    if start.visit == now.visit:
        return Change(Missing("one-visit", "Measured at one visit only."), Comparison(True), now.errors)
    comparison = compare_results(start, now)
    if not comparison.comparable:
        reason = "Not comparable, because " + "; ".join(comparison.because) + "."
        return Change(Missing("not-comparable", reason), comparison, now.errors)
    if not (isinstance(start.value, Quantity) and isinstance(now.value, Quantity)):
        return Change(Missing("no-amount", "A category has no amount of change."), comparison, now.errors)
    unit = now.value.unit
    amount = now.value.number - convert(start.value.number, start.value.unit, unit)
    errors = (*now.errors, *(e for e in start.errors if e not in now.errors))
    return Change(Quantity(amount, unit), comparison, errors)


def compare_results(earlier: Result, later: Result) -> Comparison:
    """Whether two results of one metric may be compared: same conditions, and each reading with its counterpart."""
    because = [
        f"{name.replace('_', ' ')}: {earlier.conditions.get(name)} before, {answer} now"
        for name, answer in later.conditions.items()
        if earlier.conditions.get(name) != answer
    ]
    before, after = ({_slot(m): m for m in r.inputs} for r in (earlier, later))
    because += [f"{' '.join(slot[1:])} was not read at both visits" for slot in before.keys() ^ after.keys()]
    comparisons = [compare(before[slot], after[slot]) for slot in before if slot in after]
    because += [reason for c in comparisons for reason in c.because]
    changed = dict.fromkeys(change for c in comparisons for change in c.changed)
    return Comparison(not because, tuple(dict.fromkeys(because)), tuple(changed))


def _slot(measurement: Measurement) -> tuple[str, ...]:
    part = measurement.site.part
    direction = direction_of(part.joint, measurement.answer("motion")) if part.kind == "joint" else None
    return measurement.kind, measurement.site.name, *([direction.name] if direction else [])


def _notes(ordered: Sequence[Result], now: Result) -> Iterable[str]:
    here = [r for r in ordered if r.visit == now.visit and r is not now and not r.is_missing]
    if here:
        yield f"{len(here)} more of this visit, under other conditions, not shown"
    for later in ordered:
        if later.taken > now.taken and isinstance(later.value, Missing):
            yield f"no result on {later.taken.date().isoformat()}: {later.value.reason}"
