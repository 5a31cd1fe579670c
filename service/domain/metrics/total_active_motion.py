"""Total active motion of a digit."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result, Source
from service.domain.metrics.total_motion import FORMULA, totals


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """The total of active readings."""
    return totals(METRIC, "active", measurements, states, parameters)


METRIC = Metric(
    name="total-active-motion",
    version=1,
    title="Total active motion",
    unit="deg",
    formula=FORMULA,
    source=Source(
        "ASSH Clinical Assessment Committee; Kleinert & Verdan, J Hand Surg Am 1983;8:794-798",
        "published",
    ),
    rule=compute,
)
