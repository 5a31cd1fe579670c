"""Wound: how a wound stands, with its length and width where it is open. The words are common practice, no source."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="wound",
    version=1,
    title="Wound",
    description="How a wound stands at a visit.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("region", "digit", "zone", "segment", "joint")),
    stem="wound",
    axes=(),
    fields=(
        Field("wound_length", "Length of the open wound", units=("mm", "cm")),
        Field("wound_width", "Width of the open wound", units=("mm", "cm")),
        Field("exudate", "What the wound secretes, in the clinic's words"),
    ),
    units=(),
    values=terms(
        Term("closed", "closed"),
        Term("closing", "closing"),
        Term("open", "open, not closing"),
        Term("reopened", "reopened"),
        Term("signs-of-infection", "with signs of infection"),
    ),
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "wound_length", "wound_width"),
    read=read_value,
    on_stump=True,
    display=in_words("Wound"),
)
