"""Thumb opposition by landmarks of the same hand, 0 to 10 (Kapandji, Ann Chir Main 1986;5:67).

The order of the landmarks follows the abstract (https://pubmed.ncbi.nlm.nih.gov/3963909): 1 and 2 are the second and
the third phalanx of the index finger.
"""

from __future__ import annotations

from service.domain.field import MODE, Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, by_code
from service.domain.values import in_words, read_value

_LANDMARKS = (
    "no landmark reached",
    "side of the second phalanx of the index finger",
    "side of the third phalanx of the index finger",
    "tip of the index finger",
    "tip of the middle finger",
    "tip of the ring finger",
    "tip of the little finger",
    "distal interphalangeal crease of the little finger",
    "proximal interphalangeal crease of the little finger",
    "proximal crease of the little finger",
    "distal palmar crease",
)
VALUES = by_code(
    Term(str(n), f"{n}: {landmark}", properties={"score": str(n)}) for n, landmark in enumerate(_LANDMARKS)
)
EARLY = Field(
    "early_stages",
    "Whether the landmarks before this one could be reached too; the score holds only if they could",
    choices(yes="all before it could be reached", no="not all before it could be reached"),
)

KIND = MeasurementKind(
    name="thumb-opposition",
    version=1,
    title="Thumb opposition",
    description="The furthest landmark of its own hand that the tip of the thumb reaches, 0 to 10.",
    sites=("thumb",),
    stem="thumb-opposition",
    axes=(MODE,),
    fields=(EARLY,),
    units=(),
    values=VALUES,
    series_key=("site", "mode", "early_stages", "treatment", "repeat"),
    watched=("performer", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Thumb opposition", MODE),
    better=lambda _axes: "more",
)
