"""Active motion of a finger's PIP and DIP joints as a percentage of 175 degrees."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from service.domain.anatomy import PartState, Site
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics.total_motion import is_whole, joints_of, totals
from service.domain.units import rounded

WHOLE = 175
"""Degrees of motion of both joints together that count as whole."""


def _joints(digit: Site) -> tuple[Site, ...]:
    return tuple(joint for joint in joints_of(digit) if joint.part.joint in ("pip", "dip"))


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each finger, visit and set of conditions in which one of the two joints was read."""
    sums = totals(METRIC, "active", measurements, states, parameters, _joints)
    return tuple(_percent(each) for each in sums)


def _percent(both: Result) -> Result:
    return METRIC.result(
        both.site,
        _value(both),
        both.inputs,
        both.conditions,
        at=both,
        parts=both.parts,
        parameters=both.parameters,
        notes=both.notes,
    )


def _value(both: Result) -> Quantity | Missing:
    if not isinstance(both.value, Quantity):
        return both.value if isinstance(both.value, Missing) else Missing("no-number", "There is no sum.")
    if not is_whole(both):
        reason = f"The {WHOLE} degrees hold for a whole finger; the {both.site.name} is none."
        return Missing("norm-of-whole-digit", reason)
    return Quantity(rounded(100 * Fraction(both.value.number) / WHOLE), "%")


METRIC = Metric(
    name="interphalangeal-percent",
    version=1,
    title="Active PIP and DIP motion as percent of 175 degrees",
    unit="%",
    formula=(
        "100 x (PIP flexion + DIP flexion - their extension deficits) / 175, active, both joints of one visit moved "
        "together."
    ),
    source=Source("Strickland & Glogovac, J Hand Surg Am 1980;5:537-543", "published"),
    rule=compute,
)
