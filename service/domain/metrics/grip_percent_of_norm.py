"""Grip strength as a percentage of the mean of a named table, inside its population."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result, Source
from service.domain.metrics import grip_summary
from service.domain.metrics.strength_norms import percent_of_mean, placed
from service.domain.metrics.strength_trials import GRIP


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each grip test."""
    tests = grip_summary.compute(measurements, states, parameters)
    return placed(METRIC, tests, GRIP, parameters, percent_of_mean, "%")


METRIC = Metric(
    name="grip-percent-of-norm",
    version=1,
    title="Grip strength: percent of the mean of a named table",
    unit="%",
    formula=(
        "100 x strength / mean of the row for this sex, age and hand in the named table; none where the table "
        "does not hold for the person or was taken otherwise."
    ),
    source=Source("the table that is named", "published"),
    rule=compute,
)
