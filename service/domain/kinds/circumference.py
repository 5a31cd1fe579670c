"""Circumference at a named level: the girth of a digit, the hand or the arm, as a sign of oedema."""

from __future__ import annotations

from decimal import Decimal

from service.domain.anatomy import PARTS
from service.domain.field import Field
from service.domain.measurement import Bounds, MeasurementKind
from service.domain.values import in_words, read_value

LEVEL = Field("level", "The exact level, as the clinic names it")
FROM_LANDMARK = Field("from_landmark", "How far the level lies from that landmark", units=("cm", "mm"))

KIND = MeasurementKind(
    name="circumference",
    version=1,
    title="Circumference",
    description="Girth at a named level of a digit, the hand or the arm. No error is published for digits.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("joint", "segment")),
    stem="circumference",
    axes=(),
    fields=(LEVEL, FROM_LANDMARK),
    units=("cm", "mm"),
    series_key=("site", "level", "from_landmark", "treatment", "repeat"),
    watched=("performer", "instrument", "time_of_day"),
    read=read_value,
    display=in_words("Circumference"),
    bounds=lambda _site, _axes: Bounds(Decimal(45), Decimal(80), "cm", "a limit of this record; not published"),
    better=lambda _axes: "less",
)
