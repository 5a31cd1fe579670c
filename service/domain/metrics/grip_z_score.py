"""Grip strength in standard deviations from the mean of a named table, inside its population."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result, Source
from service.domain.metrics import grip_summary
from service.domain.metrics.strength_norms import placed, z_score
from service.domain.metrics.strength_trials import GRIP


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each grip test."""
    tests = grip_summary.compute(measurements, states, parameters)
    return placed(METRIC, tests, GRIP, parameters, z_score, "{SD}")


METRIC = Metric(
    name="grip-z-score",
    version=1,
    title="Grip strength: z-score in a named table",
    unit="{SD}",
    formula=(
        "(Strength - mean) / SD of the row for this sex, age and hand in the named table; none where the table "
        "does not hold for the person or was taken otherwise."
    ),
    source=Source("the table that is named", "published"),
    rule=compute,
)
