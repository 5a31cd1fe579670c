"""Muscle grades by nerve: the lowest grade among the muscles tested that one nerve usually serves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import PARTS, PartState
from service.domain.kinds import muscle_strength
from service.domain.measurement import Coded, Measurement
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each nerve, side, visit and time about treatment of which a muscle was tested."""
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    for reading in measurements:
        nerve = f"{reading.site.part.nerve}-nerve"
        if reading.kind == muscle_strength.KIND.name and nerve in PARTS:
            key = (visit_of(reading), reading.site.side, nerve, reading.answer("treatment"))
            groups.setdefault(key, []).append(reading)
    return tuple(_lowest(key[2], group) for key, group in groups.items())


def score_of(grade: str) -> Decimal:
    """Where a grade stands, half steps between whole ones."""
    return Decimal(muscle_strength.VALUES[grade].properties["score"])


def _lowest(nerve: str, readings: Sequence[Measurement]) -> Result:
    site = readings[0].site.on(nerve)
    found = [r.value.code for r in readings if isinstance(r.value, Coded)]
    value = (
        Coded(min(found, key=score_of))
        if found
        else Missing("not-testable", f"No muscle of the {site.name} has a grade.")
    )
    muscles = " ".join(sorted({r.site.key for r in readings}))
    conditions = {"treatment": readings[0].answer("treatment"), "muscles": muscles}
    counts = Counter(f"grade-{code}" for code in found)
    return METRIC.result(site, value, readings, conditions, counts=counts)


METRIC = Metric(
    name="motor-grade-nerve",
    version=1,
    title="Lowest muscle grade by nerve",
    values=muscle_strength.VALUES,
    formula="The lowest grade among the muscles tested at one visit that this nerve usually serves, and the counts.",
    source=Source(
        "grades 0 to 5: Medical Research Council, Memorandum 45, 1976; the lowest of them by a rule of this project",
        "project rule",
    ),
    rule=compute,
    caveat="holds for the muscles that were tested; which nerve serves a muscle varies from person to person",
)
