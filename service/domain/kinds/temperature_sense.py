"""Temperature sense: whether warm and cold are told apart in a zone of skin."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="temperature-sense",
    version=1,
    title="Temperature sense",
    description="Whether warm and cold are told apart in a zone of skin.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("zone", "half-zone")),
    stem="temperature-sense",
    axes=(),
    fields=(),
    units=(),
    values=terms(
        Term("told-apart", "warm and cold told apart"),
        Term("warm-only", "warm felt, cold not"),
        Term("cold-only", "cold felt, warm not"),
        Term("not-told-apart", "warm and cold not told apart"),
    ),
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "instrument"),
    read=read_value,
    display=in_words("Temperature sense"),
)
