"""Total active motion of a whole digit as a percentage of a published norm."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import total_active_motion
from service.domain.metrics.total_motion import is_whole
from service.domain.units import rounded

NORMS = {
    "finger": (Decimal(260), Source("ASSH: 260 degrees, as printed at handlab.com clinical pearl 18", "published")),
    "thumb": (Decimal(140), Source("140 degrees: table at eatonhand.com/clf/clf217", "published")),
}
"""Degrees of total active motion of a whole digit, by finger and thumb."""


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each total active motion."""
    return tuple(_percent(total) for total in total_active_motion.compute(measurements, states, parameters))


def _percent(total: Result) -> Result:
    norm, source = NORMS["thumb" if total.site.key == "thumb" else "finger"]
    return METRIC.result(
        total.site,
        _value(total, norm),
        total.inputs,
        {**total.conditions, "against": f"norm of {norm} degrees"},
        at=total,
        parts=(total,),
        parameters={**total.parameters, "norm": f"{norm} deg"},
        notes=total.notes,
        source=source,
    )


def _value(total: Result, norm: Decimal) -> Quantity | Missing:
    if isinstance(total.value, Missing):
        return total.value
    if not is_whole(total):
        return Missing("norm-of-whole-digit", f"The norm holds for a whole digit; the {total.site.name} is none.")
    return (
        Quantity(rounded(100 * Fraction(total.value.number) / Fraction(norm)), "%")
        if isinstance(total.value, Quantity)
        else Missing("no-number", "The total has no number.")
    )


METRIC = Metric(
    name="percent-of-norm",
    version=1,
    title="Total active motion as percent of a norm",
    unit="%",
    formula="100 x total active motion / 260 degrees for a finger, 140 degrees for the thumb; whole digits only.",
    source=NORMS["finger"][1],
    rule=compute,
    caveat="the norm is one number for all adults; it says nothing of age, sex or build",
)
