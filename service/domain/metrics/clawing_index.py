"""Clawing index of a finger: how far the MCP joint goes beyond straight while the PIP joint stays short of it."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import FINGERS, PartState
from service.domain.kinds.joint_motion import position
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import total_active_motion
from service.domain.metrics.total_motion import ends_of


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each active motion of a finger whose MCP and PIP joints were read."""
    totals = total_active_motion.compute(measurements, states, parameters)
    return tuple(_index(total) for total in totals if total.site.key in FINGERS)


def _index(total: Result) -> Result:
    joints = {part.site.part.joint: part for part in total.parts}
    both = [joints[name] for name in ("mcp", "pip")]
    return METRIC.result(
        total.site,
        _value(both),
        [m for part in both for m in part.inputs],
        {name: answer for name, answer in total.conditions.items() if name != "joints"},
        at=total,
        parts=both,
        notes=total.notes,
    )


def _value(both: Sequence[Result]) -> Quantity | Missing:
    for part in both:
        if isinstance(part.value, Missing):
            return part.value
        if not part.inputs:
            return Missing("part-fused", f"The {part.site.name} does not move.")
    if both[0].conditions["together"] != both[1].conditions["together"]:
        return Missing("not-together", "The two joints were not read in one position of the finger.")
    extension = [p[1] for m in both[0].inputs for p in [position(m)] if p and p[0] == "extension"]
    return Quantity(max([*extension, Decimal(0)]) + ends_of(both[1])[1], "deg")


METRIC = Metric(
    name="clawing-index",
    version=1,
    title="Clawing index",
    unit="deg",
    formula=(
        "Hyperextension of the MCP joint plus extension deficit of the PIP joint of one finger, both active and of one "
        "visit; 0 where the finger stretches straight."
    ),
    source=Source("definition of this project; no publication", "project rule"),
    rule=compute,
    caveat="up to 45 degrees of hyperextension occur in MCP joints of healthy fingers (e-hand.com/nor/nor002)",
)
