"""Grip strength of a hand as a percentage of the other hand."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, reference_result
from service.domain.metrics import grip_summary
from service.domain.metrics.percent_of_reference import NOT_MARKED
from service.domain.metrics.strength_trials import newtons
from service.domain.units import rounded


def ratios(metric: Metric, tests: Sequence[Result], parameters: Parameters) -> tuple[Result, ...]:
    """One result for each test, beside the one it is set against."""
    return tuple(_ratio(metric, test, tests, parameters) for test in tests)


def _ratio(metric: Metric, test: Result, tests: Sequence[Result], parameters: Parameters) -> Result:
    if test.site.side not in parameters.reference_for:
        return _result(metric, test, NOT_MARKED, parameters)
    if isinstance(test.value, Missing):
        return _result(metric, test, test.value, parameters)
    reference = reference_result(test, tests)
    if isinstance(reference, Missing):
        return _result(metric, test, reference, parameters)
    return _result(metric, test, _quotient(test, reference), parameters, reference)


def _quotient(test: Result, reference: Result) -> Quantity | Missing:
    here, there = newtons(test), newtons(reference)
    if here is None or not there:
        return Missing("reference-zero", f"The strength of the {reference.site.name} is 0.")
    return Quantity(rounded(100 * here / there), "%")


def _result(
    metric: Metric, test: Result, value: Quantity | Missing, parameters: Parameters, reference: Result | None = None
) -> Result:
    notes = list(test.notes)
    if reference and reference.visit != test.visit:
        notes.append(f"reference side measured on {reference.taken.date().isoformat()}")
    side = parameters.dominant
    notes.append(f"the {side} hand is dominant" if side else "which hand is dominant is not known")
    parts = (test, reference) if reference else (test,)
    return metric.result(
        test.site,
        value,
        [m for part in parts for m in part.inputs],
        test.conditions,
        at=test,
        parts=parts,
        parameters={**test.parameters, "reference": test.site.other.side, "dominant": side or "unknown"},
        notes=notes,
    )


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each grip test."""
    return ratios(METRIC, grip_summary.compute(measurements, states, parameters), parameters)


METRIC = Metric(
    name="grip-ratio",
    version=1,
    title="Grip strength as percent of the other hand",
    unit="%",
    formula=(
        "100 x grip / grip of the other hand in one unit, both at one handle position, posture, orthosis state and "
        "summary rule. The other hand's test is that of the same visit, else the latest before, else the first after. "
        "Only where a clinician marked the other hand as reference."
    ),
    source=Source("hand-therapy handbooks", "from memory"),
    rule=compute,
    caveat=(
        "hands differ by dominance: by 12.72% on average in right-handed and -0.08% in left-handed people "
        "(Petersen 1989), by 0.1 to 3% in another study (Armstrong 1999)"
    ),
)
