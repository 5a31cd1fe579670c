"""Vibration: whether a vibrating fork is felt in a zone of skin, and at which frequency it vibrates."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="vibration",
    version=1,
    title="Vibration",
    description="Whether vibration of a known frequency is felt in a zone of skin, beside the other hand.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("zone", "half-zone")),
    stem="vibration",
    axes=(),
    fields=(Field("frequency", "Frequency of the vibration", required=True, units=("Hz",)),),
    units=(),
    values=terms(
        Term("felt", "felt as on the other side"),
        Term("altered", "felt, but weaker or otherwise than on the other side"),
        Term("not-felt", "not felt"),
    ),
    series_key=("site", "frequency", "treatment", "repeat"),
    watched=("performer", "instrument"),
    read=read_value,
    display=in_words("Vibration"),
)
