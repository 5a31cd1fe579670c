"""How much less a digit bends than the other hand's, or than the norm of a whole finger where none is marked."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, reference_result
from service.domain.metrics import total_active_motion
from service.domain.metrics.percent_of_norm import NORMS
from service.domain.metrics.percent_of_reference import NOT_MARKED
from service.domain.metrics.total_motion import is_whole


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each total active motion."""
    totals = total_active_motion.compute(measurements, states, parameters)
    return tuple(_gap(total, totals, parameters) for total in totals)


def _gap(total: Result, totals: Sequence[Result], parameters: Parameters) -> Result:
    if not isinstance(total.value, Quantity):
        value = total.value if isinstance(total.value, Missing) else NOT_MARKED
        return _result(total, value, "none")
    if total.site.side not in parameters.reference_for:
        return _against_norm(total, total.value.number)
    reference = reference_result(total, totals)
    if isinstance(reference, Missing):
        return _result(total, reference, "other hand")
    if not (is_whole(total) and is_whole(reference)) or reference.number is None:
        missing = Missing("joints-differ", "One of the two digits lacks a joint, or has one that is fused.")
        return _result(total, missing, "other hand", reference)
    return _result(total, Quantity(reference.number - total.value.number, "deg"), "other hand", reference)


def _against_norm(total: Result, amount: Decimal) -> Result:
    if total.site.key == "thumb" or not is_whole(total):
        return _result(total, NOT_MARKED, "none")
    norm = NORMS["finger"][0]
    return _result(total, Quantity(norm - amount, "deg"), f"norm of {norm} degrees")


def _result(total: Result, value: Quantity | Missing, against: str, reference: Result | None = None) -> Result:
    notes = list(total.notes)
    if reference and reference.visit != total.visit:
        notes.append(f"reference side measured on {reference.taken.date().isoformat()}")
    parts = (total, reference) if reference else (total,)
    return METRIC.result(
        total.site,
        value,
        [m for part in parts for m in part.inputs],
        {**total.conditions, "against": against},
        at=total,
        parts=parts,
        parameters=total.parameters,
        notes=notes,
    )


METRIC = Metric(
    name="composite-flexion-gap",
    version=1,
    title="Composite flexion gap",
    unit="deg",
    formula=(
        "Total active motion of the other hand's digit, where it is marked as reference, else 260 degrees for a whole "
        "finger, minus total active motion. Below 0 where this digit moves further."
    ),
    source=Source("hand-therapy handbooks", "from memory"),
    rule=compute,
)
