"""Metrics, as declarations, and their results.

A metric is one pure function from measurements to results. A result carries what it was made from, how, by whose
formula, and with what error; a result that cannot be had is an object that says why, never null.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Literal

from service.domain.anatomy import PartState, Side, Site
from service.domain.error import PublishedError, errors_of
from service.domain.field import REPEAT, UNKNOWN
from service.domain.measurement import Coded, Measurement, Quantity
from service.domain.terms import Term


@dataclass(frozen=True, slots=True)
class Source:
    """Where a formula or a table comes from, and how far that was verified."""

    text: str
    status: Literal["published", "from memory", "project rule"]


@dataclass(frozen=True, slots=True)
class Missing:
    """No result, and why: `rule` is a short permanent name for the reason, `reason` a whole sentence."""

    rule: str
    reason: str


@dataclass(frozen=True, slots=True)
class Parameters:
    """What a formula leaves open, by name.

    `hyperextension`: `ignore` lets it count nothing, `deficit` counts it as a deficit at PIP and DIP joints.
    `reference_for` holds each side whose *other* side a clinician marked as fit to serve as its reference.
    `dominant` is the dominant side, empty where that is not known. `touch_scheme` names the table of touch categories,
    `norm` the table of a norm, empty for none. `sex` (female or male, as FHIR's administrative gender says them) and
    `born` place a person in such a table. `include_from_memory` shows grades and scores whose tables nobody has
    verified in print.
    """

    hyperextension: Literal["ignore", "deficit"] = "ignore"
    reference_for: frozenset[Side] = frozenset()
    dominant: Side | Literal[""] = ""
    touch_scheme: str = "hand-five-bands"
    norm: str = ""
    sex: str = ""
    born: date | None = None
    include_from_memory: bool = False


@dataclass(frozen=True, slots=True)
class Result:
    """One result of one metric at one site and one visit.

    `conditions` is what must agree before two results may stand side by side. `inputs` are the measurements it rests
    on, with their ids and versions. `parts` are the results a composite is made of: it never stands without them.
    `errors` are the published errors of this metric; none means not published. `counts` holds numbers of parts by
    category, where the metric counts.
    """

    metric: str
    version: int
    site: Site
    visit: str
    taken: datetime
    value: Quantity | Coded | Missing
    conditions: Mapping[str, str]
    inputs: tuple[Measurement, ...]
    source: Source
    parts: tuple[Result, ...] = ()
    parameters: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    errors: tuple[PublishedError, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)

    @property
    def number(self) -> Decimal | None:
        """The number of a result that has one."""
        return self.value.number if isinstance(self.value, Quantity) else None

    @property
    def is_missing(self) -> bool:
        """Whether there is a reason instead of a value."""
        return isinstance(self.value, Missing)


Compute = Callable[[Sequence[Measurement], Sequence[PartState], Parameters], tuple[Result, ...]]


@dataclass(frozen=True)
class Metric:
    """The one declaration of a metric.

    `name` is permanent; `version` grows when the formula changes. `unit` is the unit of its value, empty where the
    value is one of `values` or keeps the unit of the reading. `caveat` goes into the notes of every result.
    `rule` takes all measurements of one patient, of any number of visits; `compute` is how others ask for it.
    """

    name: str
    version: int
    title: str
    formula: str
    source: Source
    rule: Compute
    unit: str = ""
    values: Mapping[str, Term] = field(default_factory=dict)
    caveat: str = ""

    def compute(
        self, measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
    ) -> tuple[Result, ...]:
        """Every result that these measurements of one patient give; repeats of a reading are left to repeatability."""
        return self.rule([m for m in measurements if m.answer(REPEAT.name) == UNKNOWN], states, parameters)

    def result(  # noqa: PLR0913 - the parts of a result
        self,
        site: Site,
        value: Quantity | Coded | Missing,
        inputs: Sequence[Measurement],
        conditions: Mapping[str, str],
        *,
        at: Measurement | Result | None = None,
        parts: Sequence[Result] = (),
        parameters: Mapping[str, str] | None = None,
        notes: Iterable[str] = (),
        counts: Mapping[str, int] | None = None,
        source: Source | None = None,
    ) -> Result:
        """A result of this metric; its visit and time are those of `at`, or of the first input."""
        where = at or min(inputs, key=lambda m: m.circumstances.taken)
        visit, taken = (
            (where.visit, where.taken) if isinstance(where, Result) else (visit_of(where), where.circumstances.taken)
        )
        return Result(
            metric=self.name,
            version=self.version,
            site=site,
            visit=visit,
            taken=taken,
            value=value,
            conditions=dict(conditions),
            inputs=tuple(inputs),
            source=source or self.source,
            parts=tuple(parts),
            parameters=dict(parameters or {}),
            notes=tuple(dict.fromkeys((*notes, *([self.caveat] if self.caveat else [])))),
            errors=errors_of(self.name, conditions, value if isinstance(value, Quantity) else None),
            counts=dict(counts or {}),
        )


def visit_of(measurement: Measurement) -> str:
    """The visit a reading belongs to: its encounter, or where none is known the local day it was taken."""
    return measurement.circumstances.encounter or measurement.circumstances.taken.date().isoformat()


def withheld(source: Source, parameters: Parameters) -> Missing | None:
    """Why a table that nobody has verified in print gives nothing, unless it was asked for."""
    if source.status != "from memory" or parameters.include_from_memory:
        return None
    reason = f"This table is from memory and not verified in print ({source.text}): it is shown only when asked for."
    return Missing("from-memory", reason)


def reference_result(result: Result, others: Iterable[Result]) -> Result | Missing:
    """The result of the other side that `result` may be set against.

    Of the other side's results under the same conditions (joints aside): that of the same visit, else the latest
    before it, else the first after it. Where there is none, why.
    """
    across = [r for r in others if r.metric == result.metric and r.site == result.site.other]
    if not across:
        return Missing("reference-not-measured", f"The {result.site.other.name} was not measured.")
    with_value = [r for r in across if not r.is_missing]
    if not with_value:
        reason = across[-1].value
        assert isinstance(reason, Missing)  # noqa: S101 - none of them has a value
        return Missing(reason.rule, f"The reference side has no result: {reason.reason}")
    alike = [r for r in with_value if _alike(r) == _alike(result)]
    if not alike:
        differing = _difference(with_value[-1], result)
        return Missing("conditions-differ", f"The reference side was measured otherwise: {differing}.")
    return min(alike, key=lambda r: _distance(r, result))


def _alike(result: Result) -> dict[str, str]:
    return {name: answer for name, answer in result.conditions.items() if name != "joints"}


def _difference(other: Result, result: Result) -> str:
    mine, theirs = _alike(result), _alike(other)
    return "; ".join(f"{n.replace('_', ' ')} {theirs[n]} there, {mine[n]} here" for n in mine if mine[n] != theirs[n])


def _distance(other: Result, result: Result) -> tuple[int, float]:
    seconds = (result.taken - other.taken).total_seconds()
    if other.visit == result.visit:
        return 0, abs(seconds)
    return (1, seconds) if seconds >= 0 else (2, -seconds)
