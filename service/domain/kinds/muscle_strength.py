"""Manual muscle grade, 0 to 5, by muscle, each muscle with the nerve that usually serves it.

Grades: Medical Research Council, Memorandum 45, 1976. Half steps (+ and -) are common practice, no source.
"""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, by_code
from service.domain.values import in_words, read_value

_GRADES = (
    "no contraction", "flicker or trace of contraction", "movement with gravity eliminated", "movement against gravity",
    "movement against gravity and resistance", "normal power",
)  # fmt: skip
_HALF_STEPS = ("2-minus", "2-plus", "3-minus", "3-plus", "4-minus", "4-plus")


def _half(code: str) -> Term:
    grade, _, sign = code.partition("-")
    mark = "+" if sign == "plus" else "-"
    score = f"{grade}.33" if sign == "plus" else f"{int(grade) - 1}.67"
    return Term(code, f"{grade}{mark}", properties={"grade": grade, "score": score})


_NUMBERED = tuple(enumerate(_GRADES))
VALUES = by_code(
    (
        *(Term(str(n), f"{n}: {text}", properties={"grade": str(n), "score": str(n)}) for n, text in _NUMBERED),
        *(_half(code) for code in _HALF_STEPS),
    )
)
"""Grades by code. `grade` is the whole grade; `score` orders them, half steps by thirds (no source)."""

KIND = MeasurementKind(
    name="muscle-strength",
    version=1,
    title="Manual muscle grade",
    description="Strength of one muscle tested by hand, from 0 (no contraction) to 5 (normal power).",
    sites=tuple(key for key, part in PARTS.items() if part.kind == "muscle"),
    stem="muscle-strength",
    axes=(),
    fields=(),
    units=(),
    values=VALUES,
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Manual muscle grade"),
    better=lambda _axes: "more",
)
