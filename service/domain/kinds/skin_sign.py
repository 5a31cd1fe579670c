"""Skin and trophic sign: how the skin, its nails, hair and sweat are, one sign at a time.

The words are common practice, no source.
"""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.field import Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import code_fits, in_words, read_value

ASPECT = Field(
    "sign",
    "The sign looked for",
    choices(
        colour="colour of the skin",
        warmth="warmth of the skin",
        sweating="sweating",
        hair="growth of hair",
        nails="growth of nails",
        gloss="thin, glossy skin",
        pulp="wasting of the finger pulp",
        dryness="dry or cracked skin",
        pressure_mark="pressure mark",
        blister="blister",
    ),
    required=True,
)
VALUES = terms(
    Term("as-other-side", "as on the other side"),
    Term("more", "more than on the other side"),
    Term("less", "less than on the other side"),
    Term("changed", "changed"),
    Term("present", "present"),
    Term("absent", "absent"),
)
_FIT = {
    "colour": ("as-other-side", "changed"),
    "warmth": ("as-other-side", "more", "less"),
    "sweating": ("as-other-side", "more", "less"),
    "hair": ("as-other-side", "more", "less"),
    "nails": ("as-other-side", "more", "less"),
    "gloss": ("present", "absent"),
    "pulp": ("present", "absent"),
    "dryness": ("present", "absent"),
    "pressure-mark": ("present", "absent"),
    "blister": ("present", "absent"),
}

KIND = MeasurementKind(
    name="skin-sign",
    version=1,
    title="Skin and trophic sign",
    description="How the skin, its nails, hair and sweat are, one sign at a time.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("region", "digit", "zone", "segment", "joint")),
    stem="skin-sign",
    axes=(ASPECT,),
    fields=(),
    units=(),
    values=VALUES,
    series_key=("site", "sign", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    on_stump=True,
    display=in_words("Skin and trophic sign", ASPECT),
    checks=(code_fits("sign", _FIT),),
)
