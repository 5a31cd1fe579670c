"""Grades by percent: a table of bands, whose boundary each limit belongs to, and the metric that reads it.

A grade is never made of another grade, nor of degree bands: printed bands of degrees disagree with those of percent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.measurement import Coded, Measurement
from service.domain.metric import Metric, Missing, Parameters, Result, Source, withheld
from service.domain.terms import Term, terms

GRADES: Mapping[str, Term] = terms(
    Term("excellent", "excellent"),
    Term("good", "good"),
    Term("fair", "fair"),
    Term("poor", "poor"),
)
"""Best first."""


@dataclass(frozen=True, slots=True)
class Scheme:
    """A table of grades. `bands` are grade, limit in percent, and whether the limit itself belongs to the grade.

    `boundary` says in words how values between and on the printed bands are read.
    """

    name: str
    title: str
    bands: tuple[tuple[str, str, bool], ...]
    boundary: str
    source: Source

    def grade(self, percent: Decimal) -> str:
        """The grade of a percentage."""
        for grade, limit, belongs in self.bands:
            if percent > Decimal(limit) or (belongs and percent == Decimal(limit)):
                return grade
        return "poor"


Percents = Callable[[Sequence[Measurement], Sequence[PartState], Parameters], tuple[Result, ...]]


def grading(scheme: Scheme, percents: Percents) -> Metric:
    """The metric that grades each percentage by a scheme; the percentage stands beside it as its part."""

    def rule(
        measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
    ) -> tuple[Result, ...]:
        return tuple(_graded(percent, parameters) for percent in percents(measurements, states, parameters))

    def _graded(percent: Result, parameters: Parameters) -> Result:
        value: Coded | Missing
        closed = withheld(scheme.source, parameters)
        if isinstance(percent.value, Missing):
            value = percent.value
        elif closed or percent.number is None:
            value = closed or Missing("no-number", "The percentage has no number.")
        else:
            value = Coded(scheme.grade(percent.number))
        return metric.result(
            percent.site,
            value,
            percent.inputs,
            {**percent.conditions, "scheme": scheme.name},
            at=percent,
            parts=(percent,),
            parameters={**percent.parameters, "scheme": scheme.name, "boundary": scheme.boundary},
            notes=percent.notes,
        )

    metric = Metric(
        name=scheme.name,
        version=1,
        title=scheme.title,
        values=GRADES,
        formula=f"{_in_words(scheme)} {scheme.boundary}",
        source=scheme.source,
        rule=rule,
        caveat="holds for this scheme only: schemes disagree on a quarter to a third of positions (Hahn 2016)",
    )
    return metric


def _in_words(scheme: Scheme) -> str:
    bands = ", ".join(f"{grade} {'from' if belongs else 'above'} {limit}%" for grade, limit, belongs in scheme.bands)
    return f"Grade by percent: {bands}, else poor."
