"""Scar: how a scar looks and feels, one aspect at a time. The words are common practice, no source."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.field import Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import code_fits, in_words, read_value

ASPECT = Field(
    "scar_aspect",
    "The aspect of the scar",
    choices(
        colour="colour",
        height="height",
        suppleness="suppleness",
        gliding="gliding on what lies below",
        tenderness="tenderness",
    ),
    required=True,
)
VALUES = terms(
    Term("as-skin", "as the skin around it"),
    Term("red", "red"),
    Term("purple", "purple"),
    Term("pale", "paler than the skin around it"),
    Term("dark", "darker than the skin around it"),
    Term("flat", "flat"),
    Term("raised", "raised"),
    Term("sunken", "sunken"),
    Term("supple", "supple"),
    Term("firm", "firm"),
    Term("hard", "hard"),
    Term("glides", "glides"),
    Term("glides-partly", "glides partly"),
    Term("adherent", "adherent"),
    Term("not-tender", "not tender"),
    Term("tender", "tender"),
)
_FIT = {
    "colour": ("as-skin", "red", "purple", "pale", "dark"),
    "height": ("flat", "raised", "sunken"),
    "suppleness": ("supple", "firm", "hard"),
    "gliding": ("glides", "glides-partly", "adherent"),
    "tenderness": ("not-tender", "tender"),
}

KIND = MeasurementKind(
    name="scar",
    version=1,
    title="Scar",
    description="How a scar looks and feels, one aspect at a time.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("region", "digit", "zone", "segment", "joint")),
    stem="scar",
    axes=(ASPECT,),
    fields=(),
    units=(),
    values=VALUES,
    series_key=("site", "scar_aspect", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    on_stump=True,
    display=in_words("Scar", ASPECT),
    checks=(code_fits("scar_aspect", _FIT),),
)
