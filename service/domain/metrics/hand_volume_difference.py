"""How much more water a hand displaces than the other hand that may serve as its reference."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.kinds import hand_volume
from service.domain.measurement import ABSENT_REASONS, Absent, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of
from service.domain.metrics.percent_of_reference import NOT_MARKED


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each volume of a hand whose other hand was marked as reference, and for each of one without."""
    volumes = [m for m in measurements if m.kind == hand_volume.KIND.name]
    return tuple(_difference(m, volumes, parameters) for m in volumes)


def _difference(reading: Measurement, volumes: Sequence[Measurement], parameters: Parameters) -> Result:
    conditions = {name: reading.answer(name) for name in ("summary_rule", "treatment")}
    if reading.site.side not in parameters.reference_for:
        return METRIC.result(reading.site, NOT_MARKED, (reading,), conditions)
    others = [
        m
        for m in volumes
        if (m.site, visit_of(m)) == (reading.site.other, visit_of(reading)) and _may_be_compared(reading, m)
    ]
    if len(others) != 1:
        reason = f"The {reading.site.other.name} was not measured once, under the same conditions, at this visit."
        return METRIC.result(reading.site, Missing("reference-not-measured", reason), (reading, *others), conditions)
    return METRIC.result(reading.site, _value(reading, others[0]), (reading, others[0]), conditions)


def _may_be_compared(here: Measurement, there: Measurement) -> bool:
    """Whether two volumes were found alike; one that is missing has no rule that made it."""
    has_numbers = not any(isinstance(m.value, Absent) for m in (here, there))
    alike = ("summary_rule", "treatment") if has_numbers else ("treatment",)
    return all(here.answer(name) == there.answer(name) for name in alike)


def _value(here: Measurement, there: Measurement) -> Quantity | Missing:
    for reading in (here, there):
        if isinstance(reading.value, Absent):
            return Missing(
                "value-absent", f"The {reading.site.name} has no volume: {ABSENT_REASONS[reading.value.reason]}."
            )
    assert here.number is not None and there.number is not None  # noqa: S101, PT018 - a volume is a number or absent
    return Quantity(here.number - there.number, "mL")


METRIC = Metric(
    name="hand-volume-difference",
    version=1,
    title="Hand volume beside the other hand",
    unit="mL",
    formula="Volume of this hand minus volume of the other hand, of one visit; only where that is marked as reference.",
    source=Source("volumetry of both hands, e.g. Work 2004, doi 10.3233/WOR-2004-00346", "published"),
    rule=compute,
    caveat="healthy hands differ, too: the dominant hand is often the larger (from memory)",
)
