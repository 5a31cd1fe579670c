"""Pinch strength of a hand as a percentage of the other hand, pinched the same way."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result, Source
from service.domain.metrics import pinch_summary
from service.domain.metrics.grip_ratio import ratios


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each pinch test."""
    return ratios(METRIC, pinch_summary.compute(measurements, states, parameters), parameters)


METRIC = Metric(
    name="pinch-ratio",
    version=1,
    title="Pinch strength as percent of the other hand",
    unit="%",
    formula=(
        "100 x pinch / pinch of the other hand in one unit, both pinched the same way, in one posture, orthosis state "
        "and summary rule. Only where a clinician marked the other hand as reference."
    ),
    source=Source("hand-therapy handbooks", "from memory"),
    rule=compute,
)
