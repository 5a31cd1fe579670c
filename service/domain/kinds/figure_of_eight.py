"""Figure of eight: the length of a tape laid round wrist and hand in a figure of eight, as a sign of oedema."""

from __future__ import annotations

from decimal import Decimal

from service.domain.measurement import Bounds, MeasurementKind
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="figure-of-eight",
    version=1,
    title="Figure-of-eight girth",
    description="Length of a tape laid round wrist and hand in a figure of eight.",
    sites=("hand",),
    stem="figure-of-eight",
    axes=(),
    fields=(),
    units=("cm", "mm"),
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "instrument", "time_of_day"),
    read=read_value,
    display=in_words("Figure-of-eight girth"),
    bounds=lambda _site, _axes: Bounds(Decimal(60), Decimal(90), "cm", "a limit of this record; not published"),
    better=lambda _axes: "less",
)
