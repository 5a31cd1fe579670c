"""Complications: whether one was looked for and found. Not looked for is a missing value, never a no."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.field import Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

COMPLICATION = Field(
    "complication",
    "The complication looked for",
    choices(
        infection="infection",
        tendon_rupture="rupture of a tendon",
        adhesion="adhesion of a tendon",
        joint_stiffness="stiffness of a joint",
        regional_pain_syndrome="complex regional pain syndrome",
        neuroma="painful neuroma",
        delayed_union="delayed or missing union of a bone",
        loss_of_fixation="loss of fixation",
        skin_necrosis="necrosis of skin",
        pressure_injury="pressure injury from an orthosis or cast",
        other="another complication, named in its own field",
    ),
    required=True,
)

KIND = MeasurementKind(
    name="complication",
    version=1,
    title="Complication",
    description="Whether a complication was found: yes or no; not looked for is a missing value.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("region", "digit", "joint", "segment", "zone")),
    stem="complication",
    axes=(COMPLICATION,),
    fields=(Field("complication_name", "The complication's name, where it is another"),),
    units=(),
    values=terms(Term("yes", "found"), Term("no", "looked for and not found")),
    series_key=("site", "complication", "complication_name", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    on_stump=True,
    display=in_words("Complication", COMPLICATION),
)
