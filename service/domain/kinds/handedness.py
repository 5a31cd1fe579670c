"""Handedness: which hand a person uses by preference."""

from __future__ import annotations

from service.domain.anatomy import PERSON
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.terms import SNOMED, Coding, Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="handedness",
    version=1,
    title="Handedness",
    description="Which hand a person uses by preference.",
    sites=(PERSON,),
    sides=("",),
    stem="handedness",
    axes=(),
    fields=(Field("how_found", "How handedness was found: asked, or by which inventory"),),
    units=(),
    values=terms(
        Term("right", "right-handed"),
        Term("left", "left-handed"),
        Term("mixed", "no settled preference"),
    ),
    series_key=("site", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    display=in_words("Handedness"),
    same=lambda _axes: (Coding(SNOMED, "57427004", "Handedness"),),
)
