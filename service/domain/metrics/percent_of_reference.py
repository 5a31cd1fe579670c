"""Total motion of a digit as a percentage of the same digit of the other hand."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, reference_result
from service.domain.metrics import total_active_motion, total_passive_motion
from service.domain.units import rounded

NOT_MARKED = Missing("no-reference", "The other hand has not been marked by a clinician as fit to serve as reference.")


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each total active and each total passive motion."""
    totals = [
        result
        for metric in (total_active_motion, total_passive_motion)
        for result in metric.compute(measurements, states, parameters)
    ]
    return tuple(_percent(total, totals, parameters) for total in totals)


def _percent(total: Result, totals: Sequence[Result], parameters: Parameters) -> Result:
    if total.site.side not in parameters.reference_for:
        return _result(total, NOT_MARKED)
    if isinstance(total.value, Missing):
        return _result(total, total.value)
    reference = reference_result(total, totals)
    if isinstance(reference, Missing):
        return _result(total, reference)
    return _result(total, _quotient(total, reference), reference)


def _quotient(total: Result, reference: Result) -> Quantity | Missing:
    """Over the joints that the measured digit has; the reference must have all of them, none of them fused."""
    joints = total.conditions["joints"].split()
    there = [a for a in reference.parts if a.site.part.joint in joints and not a.is_missing]
    if len(there) < len(joints):
        return Missing("joints-differ", f"The {reference.site.name} lacks a joint that the {total.site.name} has.")
    fused = next((a for a in there if not a.inputs), None)
    if fused:
        return Missing("reference-fused", f"The {fused.site.name} is fused: that digit is no reference.")
    whole = sum((a.number for a in there if a.number is not None), Decimal(0))
    if whole <= 0 or total.number is None:
        return Missing("reference-zero", f"The {reference.site.name} has no motion to compare with.")
    return Quantity(rounded(100 * Fraction(total.number) / Fraction(whole)), "%")


def _result(total: Result, value: Quantity | Missing, reference: Result | None = None) -> Result:
    notes = list(total.notes)
    if reference and reference.visit != total.visit:
        notes.append(f"reference side measured on {reference.taken.date().isoformat()}")
    if reference and reference.conditions["joints"] != total.conditions["joints"]:
        notes.append(f"over the joints both digits have: {total.conditions['joints'].upper()}")
    parts = (total, reference) if reference else (total,)
    return METRIC.result(
        total.site,
        value,
        [m for part in parts for m in part.inputs],
        total.conditions,
        at=total,
        parts=parts,
        parameters={**total.parameters, "reference": total.site.other.side},
        notes=notes,
    )


METRIC = Metric(
    name="percent-of-reference",
    version=1,
    title="Total motion as percent of the other hand",
    unit="%",
    formula=(
        "100 x total motion / total motion of the same digit of the other hand, in the same mode, orthosis state and "
        "position, over the same joints. The other hand's total is that of the same visit, else the latest before, "
        "else the first after. Only where a clinician marked the other hand as reference; never without both totals."
    ),
    source=Source(
        "ASSH Clinical Assessment Committee 1976/1983; Kleinert & Verdan, J Hand Surg Am 1983;8:794-798", "published"
    ),
    rule=compute,
)
