"""Combined grip: the best trial of the left hand plus the best trial of the right hand."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import PartState, Site
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import grip_best
from service.domain.units import convert


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each visit and set of conditions in which both hands were tested."""
    groups: dict[tuple[str, ...], dict[str, list[Result]]] = {}
    for best in grip_best.METRIC.compute(measurements, states, parameters):
        by_side = groups.setdefault((best.visit, *best.conditions.values()), {})
        by_side.setdefault(best.site.side, []).append(best)
    return tuple(_sum(by_side["left"], by_side["right"]) for by_side in groups.values() if len(by_side) == 2)


def _sum(left: Sequence[Result], right: Sequence[Result]) -> Result:
    parts = (*left, *right)
    numbers = [_largest(side) for side in (left, right)]
    missing = next((n for n in numbers if isinstance(n, Missing)), None)
    value = missing or Quantity(sum((n.number for n in numbers if isinstance(n, Quantity)), Decimal(0)), "kgf")
    inputs = [m for part in parts for m in part.inputs]
    return METRIC.result(Site("both", "hand"), value, inputs, left[0].conditions, parts=parts)


def _largest(bests: Sequence[Result]) -> Quantity | Missing:
    found = [convert(b.value.number, b.value.unit, "kgf") for b in bests if isinstance(b.value, Quantity)]
    return Quantity(max(found), "kgf") if found else Missing("no-trials", "One hand has no recorded trials.")


METRIC = Metric(
    name="grip-both-hands",
    version=1,
    title="Combined grip of both hands",
    unit="kgf",
    formula="Largest trial of the left hand plus largest trial of the right hand, of one visit and set of conditions.",
    source=Source("MGDCGSZ in CDC NHANES 2011-2012, MGX_G documentation", "published"),
    rule=compute,
)
