"""Hand volume: the water a hand displaces from a volumeter, trials kept."""

from __future__ import annotations

from decimal import Decimal

from service.domain.measurement import Bounds, MeasurementKind
from service.domain.trials import rules
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="hand-volume",
    version=1,
    title="Hand volume",
    description="Water displaced by the hand in a volumeter.",
    sites=("hand",),
    stem="hand-volume",
    axes=(),
    fields=(),
    units=("mL",),
    series_key=("site", "summary_rule", "treatment", "repeat"),
    watched=("performer", "instrument", "time_of_day"),
    read=read_value,
    display=in_words("Hand volume"),
    summary_rules=rules("mean-of-trials", "single-value"),
    bounds=lambda _site, _axes: Bounds(
        Decimal(900),
        Decimal(2000),
        "mL",
        "a limit of this record above published sizes (about 310 to 500 mL, Hughes & Lau 2008); no publication",
    ),
    better=lambda _axes: "less",
)
