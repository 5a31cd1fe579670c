"""Grade of total active motion, as percent of the other hand, or of the norm of a whole finger where none is marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement
from service.domain.metric import Parameters, Result, Source
from service.domain.metrics import percent_of_norm, percent_of_reference
from service.domain.metrics.grades import Scheme, grading

SCHEME = Scheme(
    name="total-motion-grade",
    title="Grade of total active motion (hand-surgery society)",
    bands=(("excellent", "100", True), ("good", "75", False), ("fair", "50", True)),
    boundary=(
        "75 is fair, as strictly more than 75 is printed for good; exactly 50 has no printed grade and is fair by a "
        "rule of this project. The percentage is that of the other hand where it is marked as reference, else that of "
        "260 degrees for a whole finger."
    ),
    source=Source(
        "ASSH Clinical Assessment Committee 1976/1983, bands as printed at handlab.com clinical pearl 18", "published"
    ),
)


def percents(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """Percent of the marked other hand; for a finger of a hand without one, percent of the norm."""
    of_reference = percent_of_reference.compute(measurements, states, parameters)
    of_norm = percent_of_norm.compute(measurements, states, parameters)
    marked = parameters.reference_for
    chosen = [
        replace(r, conditions={**r.conditions, "against": "other hand"})
        for r in of_reference
        if r.conditions["mode"] == "active" and r.site.side in marked
    ]
    return (*chosen, *(r for r in of_norm if r.site.side not in marked and r.site.key != "thumb"))


METRIC = grading(SCHEME, percents)
