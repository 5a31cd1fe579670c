"""The sum of the active extension deficits of a digit: what its joints lack, apart from what they bend."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import total_active_motion
from service.domain.metrics.total_motion import ends_of


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each total active motion, from the same readings."""
    return tuple(_sum(total) for total in total_active_motion.compute(measurements, states, parameters))


def _sum(total: Result) -> Result:
    deficits = [ends_of(arc)[1] for arc in total.parts if not arc.is_missing]
    value = total.value if isinstance(total.value, Missing) else Quantity(sum(deficits, Decimal(0)), "deg")
    return METRIC.result(
        total.site,
        value,
        total.inputs,
        total.conditions,
        at=total,
        parts=total.parts,
        parameters=total.parameters,
        notes=total.notes,
    )


METRIC = Metric(
    name="extension-deficit-sum",
    version=1,
    title="Sum of active extension deficits of a digit",
    unit="deg",
    formula="Sum of the extension deficits that total active motion subtracts; the arcs of the joints stand beside it.",
    source=Source("part of total active motion: ASSH; Kleinert & Verdan, J Hand Surg Am 1983;8:794-798", "published"),
    rule=compute,
)
