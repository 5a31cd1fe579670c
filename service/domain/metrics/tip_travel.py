"""How far a finger tip travels between the stretched and the bent finger: delta finger-to-palm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.domain.anatomy import PartState
from service.domain.kinds import tip_to_palm
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of
from service.domain.units import convert

_ALIKE = ("mode", "palm_landmark", "treatment")


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each finger, visit and set of conditions in which a distance was read."""
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    for reading in measurements:
        if reading.kind == tip_to_palm.KIND.name:
            key = (visit_of(reading), reading.site.code, *(reading.answer(n) for n in _ALIKE))
            groups.setdefault(key, []).append(reading)
    return tuple(_travel(group) for group in groups.values())


def _travel(readings: Sequence[Measurement]) -> Result:
    first = readings[0]
    conditions = {name: first.answer(name) for name in _ALIKE}
    ends = [distance_of(readings, reach) for reach in ("extended", "flexed")]
    missing = next((end for end in ends if isinstance(end, Missing)), None)
    if missing:
        return METRIC.result(first.site, missing, readings, conditions)
    extended, flexed = (end for end in ends if not isinstance(end, Missing))
    return METRIC.result(first.site, Quantity(extended.number - flexed.number, "cm"), readings, conditions)


def distance_of(readings: Iterable[Measurement], reach: str) -> Quantity | Missing:
    """The one distance that readings of one finger and visit give for the bent or the stretched finger, in cm."""
    found = [r for r in readings if r.answer("reach") == reach]
    numbers = {
        convert(r.value.number, r.value.unit, "cm")
        for r in found
        if isinstance(r.value, Quantity) and not r.value.comparator
    }
    if not numbers:
        return Missing("not-measured", f"The distance of the {reach} finger to the palm was not measured.")
    if len(numbers) > 1:
        return Missing("read-twice", f"The distance of the {reach} finger to the palm was read more than once.")
    return Quantity(numbers.pop(), "cm")


METRIC = Metric(
    name="tip-travel",
    version=1,
    title="Delta finger-to-palm",
    unit="cm",
    formula="Distance of the tip to the palm with the finger stretched minus the distance with the finger bent.",
    source=Source("Torok et al., Clin Exp Rheumatol 2010;28(Suppl 58):S28-36, seen as an abstract", "from memory"),
    rule=compute,
)
