"""The upper sensory grades of a finger tip from still and moving two-point discrimination together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.kinds import two_point_discrimination
from service.domain.measurement import Coded, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of, withheld
from service.domain.terms import Term, terms
from service.domain.units import convert

GRADES: Mapping[str, Term] = terms(
    Term("s4", "S4: still points from 2 to 6 mm, moving points from 2 to 3 mm"),
    Term("s3-plus", "S3+: still points from 7 to 15 mm, moving points from 4 to 7 mm"),
    Term("s3", "S3 by two-point discrimination: still points above 15 mm, moving points above 7 mm"),
)
"""Best first. Grades below S3 rest on pain and touch, which are not part of this."""
_LIMITS = {"static": (("s4", 6), ("s3-plus", 15)), "moving": (("s4", 3), ("s3-plus", 7))}


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each half of a tip, visit and time about treatment with a reading."""
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    for reading in measurements:
        if reading.kind == two_point_discrimination.KIND.name:
            key = (visit_of(reading), reading.site.code, reading.answer("treatment"))
            groups.setdefault(key, []).append(reading)
    return tuple(_grade(group, parameters) for group in groups.values())


def _grade(readings: Sequence[Measurement], parameters: Parameters) -> Result:
    conditions = {"treatment": readings[0].answer("treatment")}
    value = withheld(METRIC.source, parameters) or _value(readings)
    return METRIC.result(readings[0].site, value, readings, conditions)


def _value(readings: Sequence[Measurement]) -> Coded | Missing:
    found: dict[str, set[str]] = {"static": set(), "moving": set()}
    for reading in readings:
        if isinstance(reading.value, Quantity) and not reading.value.comparator:
            mm = convert(reading.value.number, reading.value.unit, "mm")
            touch = reading.answer("touch")
            found[touch].add(grade_of(mm, touch))
    for touch, grades in found.items():
        if len(grades) != 1:
            times = "more than once, with different grades" if grades else "not at all, or not as a distance"
            return Missing("read-twice" if grades else "not-measured", f"The {touch} distance was read {times}.")
    worse = max((grades.pop() for grades in found.values()), key=list(GRADES).index)
    return Coded(worse)


def grade_of(mm: Decimal, touch: str) -> str:
    """The grade of one distance."""
    return next((grade for grade, limit in _LIMITS[touch] if mm <= limit), "s3")


METRIC = Metric(
    name="sensory-grade",
    version=1,
    title="Sensory grade by two-point discrimination (MRC, as modified)",
    values=GRADES,
    formula=(
        "The lower of the grades of still and of moving points: still up to 6 mm S4, up to 15 mm S3+, else S3; moving "
        "up to 3 mm S4, up to 7 mm S3+, else S3. Grades below S3 are not told by two-point discrimination."
    ),
    source=Source("Mackinnon & Dellon 1988, after the Medical Research Council", "from memory"),
    rule=compute,
)
