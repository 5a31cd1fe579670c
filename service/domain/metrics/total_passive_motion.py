"""Total passive motion of a digit."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result, Source
from service.domain.metrics.total_motion import FORMULA, totals


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """The total of passive readings."""
    return totals(METRIC, "passive", measurements, states, parameters)


METRIC = Metric(
    name="total-passive-motion",
    version=1,
    title="Total passive motion",
    unit="deg",
    formula=FORMULA,
    source=Source(
        "ASSH Clinical Assessment Committee: the same sum on passive angles",
        "from memory",
    ),
    rule=compute,
)
