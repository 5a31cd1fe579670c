"""Tip-to-palm distance: how far a finger tip stays from the palm in the fist, or reaches from it when stretched."""

from __future__ import annotations

from decimal import Decimal

from service.domain.anatomy import FINGERS
from service.domain.field import MODE, Field, choices
from service.domain.measurement import Bounds, MeasurementKind
from service.domain.values import in_words, read_value

REACH = Field(
    "reach",
    "Whether the finger was bent or stretched",
    choices(flexed="bent as far as it goes", extended="stretched as far as it goes"),
    required=True,
)
LANDMARK = Field(
    "palm_landmark",
    "From where on the palm the distance was taken",
    choices(
        distal_palmar_crease="distal palmar crease", proximal_palmar_crease="proximal palmar crease",
        other="another place",
    ),
)  # fmt: skip

KIND = MeasurementKind(
    name="tip-to-palm",
    version=1,
    title="Tip-to-palm distance",
    description=(
        "Distance between the pulp of a finger and a crease of the palm, 0 where they touch. Bent and stretched "
        "together give the travel of the finger."
    ),
    sites=FINGERS,
    stem="tip-to-palm",
    axes=(REACH, MODE),
    fields=(LANDMARK,),
    units=("cm", "mm"),
    series_key=("site", "reach", "mode", "palm_landmark", "treatment", "repeat"),
    watched=("performer", "instrument", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Tip-to-palm distance", REACH, MODE),
    bounds=lambda _site, _axes: Bounds(Decimal(15), Decimal(25), "cm", "a limit of this record; not published"),
    needs_motion=True,
    better=lambda axes: "less" if axes["reach"] == "flexed" else "more",
)
