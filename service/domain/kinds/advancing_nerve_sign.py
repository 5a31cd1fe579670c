"""Advancing nerve sign: how far along a nerve, from a landmark, tapping still tingles in its territory."""

from __future__ import annotations

from decimal import Decimal

from service.domain.anatomy import PARTS
from service.domain.field import Field, choices
from service.domain.measurement import Bounds, MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

LANDMARK = Field("nerve_landmark", "The landmark the distance is counted from, such as the repair", required=True)
STRENGTH = Field(
    "sign_strength",
    "How strong the tingling is",
    choices(weak="weak", moderate="moderate", strong="strong"),
)

KIND = MeasurementKind(
    name="advancing-nerve-sign",
    version=1,
    title="Advancing nerve sign",
    description="Distance from a landmark to the furthest point where tapping the nerve tingles in its territory.",
    sites=tuple(key for key, part in PARTS.items() if part.kind == "nerve"),
    stem="advancing-nerve-sign",
    axes=(),
    fields=(LANDMARK, STRENGTH),
    units=("cm", "mm"),
    values=terms(Term("no-sign", "tapping tingles nowhere along the nerve")),
    series_key=("site", "nerve_landmark", "treatment", "repeat"),
    watched=("performer", "sign_strength"),
    read=read_value,
    display=in_words("Advancing nerve sign"),
    bounds=lambda _site, _axes: Bounds(Decimal(60), Decimal(100), "cm", "a limit of this record; not published"),
)
