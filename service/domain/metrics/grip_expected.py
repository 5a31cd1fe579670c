"""The grip expected of a hand from the other hand and from dominance, with what is known of that rule."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, reference_result
from service.domain.metrics import grip_summary
from service.domain.metrics.percent_of_reference import NOT_MARKED
from service.domain.units import rounded

STRONGER = Fraction(11, 10)
"""How many times as strong as the left hand the right one of a right-handed person is taken to be."""


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each grip test."""
    tests = grip_summary.compute(measurements, states, parameters)
    return tuple(_expected(test, tests, parameters) for test in tests)


def factor(side: str, dominant: str) -> Fraction:
    """What the other hand's force is multiplied by, for a hand of this side; 1 for left-handed people."""
    if dominant == "left":
        return Fraction(1)
    return STRONGER if side == dominant else 1 / STRONGER


def _expected(test: Result, tests: Sequence[Result], parameters: Parameters) -> Result:
    value, reference = _value(test, tests, parameters)
    parts = (test, reference) if reference else (test,)
    return METRIC.result(
        test.site,
        value,
        [m for part in parts for m in part.inputs],
        test.conditions,
        at=test,
        parts=parts,
        parameters={"dominant": parameters.dominant or "unknown", "reference": test.site.other.side},
        notes=test.notes,
    )


def _value(test: Result, tests: Sequence[Result], parameters: Parameters) -> tuple[Quantity | Missing, Result | None]:
    if test.site.side not in parameters.reference_for:
        return NOT_MARKED, None
    if not parameters.dominant:
        return Missing("dominance-unknown", "Which hand is dominant is not known."), None
    reference = reference_result(test, tests)
    if isinstance(reference, Missing):
        return reference, None
    assert isinstance(reference.value, Quantity)  # noqa: S101 - what may be compared with has a value
    expected = Fraction(reference.value.number) * factor(test.site.side, parameters.dominant)
    return Quantity(rounded(expected), reference.value.unit), reference


METRIC = Metric(
    name="grip-expected",
    version=1,
    title="Grip expected from the other hand and dominance",
    formula=(
        "Right-handed: the other hand's grip times 1.1 for the right hand, divided by 1.1 for the left. Left-handed: "
        "the other hand's grip. In the unit of the other hand's reading; only where that hand is marked as reference."
    ),
    source=Source("ten per cent rule: Petersen et al., J Hand Surg Am 1989;14:444-447", "published"),
    rule=compute,
    caveat=(
        "a rule of thumb, no norm: the dominant hand was stronger by 12.72% in right-handed and by -0.08% in "
        "left-handed people (Petersen 1989), by 5.0 to 5.6% in two national samples, by 0.1 to 3% in another study "
        "(Armstrong 1999)"
    ),
)
