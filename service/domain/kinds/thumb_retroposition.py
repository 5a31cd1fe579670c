"""Thumb retroposition: how far the thumb lifts off the table with the palm down, 0 to 4 by the other hand's knuckles.

The scale from 0 to 4 is from memory (Kapandji, Ann Chir Main 1986;5:67); its landmarks are not named here.
"""

from __future__ import annotations

from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, by_code
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="thumb-retroposition",
    version=1,
    title="Thumb retroposition",
    description="How far the thumb lifts behind the plane of the palm, in steps from 0 to 4 (scale from memory).",
    sites=("thumb",),
    stem="thumb-retroposition",
    axes=(),
    fields=(),
    units=(),
    values=by_code(Term(str(n), f"{n} of 4", properties={"score": str(n)}) for n in range(5)),
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Thumb retroposition"),
    better=lambda _axes: "more",
)
