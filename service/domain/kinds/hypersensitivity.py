"""Hypersensitivity: how much touch that should not hurt troubles the hand, in four steps, as the patient says."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.kinds.cold_intolerance import SEVERITY
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="hypersensitivity",
    version=1,
    title="Hypersensitivity",
    description="How much touch that should not hurt troubles the hand, in four steps, as the patient says.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("region", "digit", "zone")),
    stem="hypersensitivity",
    axes=(),
    fields=(),
    units=(),
    values=SEVERITY,
    series_key=("site", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    on_stump=True,
    display=in_words("Hypersensitivity"),
    better=lambda _axes: "less",
)
