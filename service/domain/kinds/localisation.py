"""Localisation of touch: whether, and how far off, the patient points at the place that was touched."""

from __future__ import annotations

from decimal import Decimal

from service.domain.anatomy import PARTS
from service.domain.measurement import Bounds, MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="localisation",
    version=1,
    title="Localisation of touch",
    description="Distance between the place touched and the place pointed at, or in which zone the touch was felt.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("zone", "half-zone")),
    stem="localisation",
    axes=(),
    fields=(),
    units=("mm", "cm"),
    values=terms(
        Term("same-zone", "felt in the zone touched"),
        Term("same-digit", "felt elsewhere in the same digit"),
        Term("elsewhere", "felt in another digit or elsewhere"),
        Term("not-felt", "not felt"),
    ),
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "instrument"),
    read=read_value,
    display=in_words("Localisation of touch"),
    bounds=lambda _site, _axes: Bounds(Decimal(10), Decimal(30), "cm", "a limit of this record; not published"),
    better=lambda _axes: "less",
)
