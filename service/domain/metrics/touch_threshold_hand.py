"""Touch thresholds of a whole hand: the worst category found, and how many zones have each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Coded, Measurement
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import touch_threshold_category
from service.domain.metrics.touch_threshold_category import CATEGORIES


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each hand, visit and time about treatment."""
    groups: dict[tuple[str, ...], list[Result]] = {}
    for zone in touch_threshold_category.compute(measurements, states, parameters):
        groups.setdefault((zone.visit, zone.site.side, zone.conditions["treatment"]), []).append(zone)
    return tuple(_hand(zones) for zones in groups.values())


def _hand(zones: Sequence[Result]) -> Result:
    hand = zones[0].site.on("hand")
    found = [zone.value.code for zone in zones if isinstance(zone.value, Coded)]
    worst = max(found, key=list(CATEGORIES).index, default=None)
    value = Coded(worst) if worst else Missing("not-testable", f"No zone of the {hand.name} has a threshold.")
    missing = [zone.value.rule for zone in zones if isinstance(zone.value, Missing)]
    return METRIC.result(
        hand,
        value,
        [m for zone in zones for m in zone.inputs],
        {**zones[0].conditions, "zones": " ".join(sorted({z.site.key for z in zones}))},
        parts=zones,
        parameters=zones[0].parameters,
        notes=[note for zone in zones for note in zone.notes],
        counts=Counter(found + missing),
    )


METRIC = Metric(
    name="touch-threshold-hand",
    version=1,
    title="Touch thresholds of the hand",
    values=CATEGORIES,
    formula=(
        "The worst category among the zones tested at one visit, and the number of zones in each category; not felt "
        "with the largest, not testable and absent parts are counted apart."
    ),
    source=Source("counting rule of this project over the categories of the named table", "project rule"),
    rule=compute,
    caveat="holds for the zones that were tested, and says nothing of the others",
)
