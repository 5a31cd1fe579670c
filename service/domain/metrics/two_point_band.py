"""The band of a two-point discrimination: still points by published bands, moving points as normal or not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.kinds import two_point_discrimination
from service.domain.measurement import ABSENT_REASONS, Absent, Coded, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.terms import Term, terms
from service.domain.units import convert

BANDS: Mapping[str, Term] = terms(
    Term("normal", "normal"),
    Term("fair", "fair"),
    Term("poor", "poor"),
    Term("above-normal", "above the normal of moving points"),
    Term("protective", "protective: one point felt"),
    Term("anesthetic", "no point felt"),
)
"""Best first, still points before moving ones."""
_STATIC = (("normal", 6), ("fair", 11))
_LAST = 15


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each reading."""
    return tuple(_band(m) for m in measurements if m.kind == two_point_discrimination.KIND.name)


def _band(reading: Measurement) -> Result:
    conditions = {name: reading.answer(name) for name in ("touch", "criterion", "treatment")}
    return METRIC.result(reading.site, _value(reading), (reading,), conditions)


def _value(reading: Measurement) -> Coded | Missing:
    if isinstance(reading.value, Absent):
        return Missing("not-testable", f"The {reading.site.name}: {ABSENT_REASONS[reading.value.reason]}.")
    if isinstance(reading.value, Coded):
        known = {"one-point-only": "protective", "none": "anesthetic"}
        if reading.value.code in known:
            return Coded(known[reading.value.code])
        return Missing("not-testable", f"The {reading.site.name} could not be tested.")
    return band_of(reading.value, reading.answer("touch"))


def band_of(distance: Quantity, touch: str) -> Coded | Missing:
    """The band of a distance, told apart while still (`static`) or moving."""
    if distance.comparator:
        return Missing("value-bounded", "The distance is recorded only as more or less than a number.")
    mm = convert(distance.number, distance.unit, "mm")
    if touch == "moving":
        return Coded("normal" if mm <= 2 else "above-normal")
    if mm > _LAST:
        return Missing("outside-table", f"The bands end at {_LAST} mm: {mm} mm has none.")
    return Coded(next((band for band, below in _STATIC if mm < Decimal(below)), "poor"))


METRIC = Metric(
    name="two-point-band",
    version=1,
    title="Band of two-point discrimination",
    values=BANDS,
    formula=(
        "Still points: below 6 mm normal, below 11 mm fair, up to 15 mm poor, one point only protective, none "
        "anesthetic. Moving points: up to 2 mm normal (up to 3 mm elsewhere), else above normal."
    ),
    source=Source("ASSH bands, as printed at flashcardmachine.com/nbcot-study-cards47", "published"),
    rule=compute,
)
