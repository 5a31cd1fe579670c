"""Shape and texture identification: a score from 0 to 6 for shapes and textures told apart with a finger tip.

The end of the scale: https://pmc.ncbi.nlm.nih.gov/articles/PMC4493271 table 2.
"""

from __future__ import annotations

from service.domain.anatomy import DIGITS
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value, scale, whole_number

KIND = MeasurementKind(
    name="shape-texture",
    version=1,
    title="Shape and texture score",
    description="How many shapes and textures are told apart with one finger tip, as a score from 0 to 6.",
    sites=DIGITS,
    stem="shape-texture",
    axes=(),
    fields=(),
    units=("{score}",),
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "instrument"),
    read=read_value,
    display=in_words("Shape and texture score"),
    bounds=scale(6, "the scale ends at 6 (PMC4493271, table 2)"),
    checks=(whole_number,),
    better=lambda _axes: "more",
)
