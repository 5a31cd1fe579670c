"""Touch thresholds by nerve: the worst category in the zones of skin that one nerve usually serves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Coded, Measurement
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import touch_threshold_category
from service.domain.metrics.touch_threshold_category import CATEGORIES

NERVES = {"median": "median-nerve", "ulnar": "ulnar-nerve", "radial": "radial-nerve"}
"""The nerve as a place, by the nerve of a zone. Zones that two nerves serve belong to neither here."""


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each nerve, hand, visit and time about treatment of which a zone was read."""
    groups: dict[tuple[str, ...], list[Result]] = {}
    for zone in touch_threshold_category.compute(measurements, states, parameters):
        nerve = zone.site.part.nerve
        if nerve in NERVES:
            groups.setdefault((zone.visit, zone.site.side, nerve, zone.conditions["treatment"]), []).append(zone)
    return tuple(_nerve(zones) for zones in groups.values())


def _nerve(zones: Sequence[Result]) -> Result:
    site = zones[0].site.on(NERVES[zones[0].site.part.nerve])
    found = [zone.value.code for zone in zones if isinstance(zone.value, Coded)]
    worst = max(found, key=list(CATEGORIES).index, default=None)
    value = Coded(worst) if worst else Missing("not-testable", f"No zone of the {site.name} has a threshold.")
    missing = [zone.value.rule for zone in zones if isinstance(zone.value, Missing)]
    return METRIC.result(
        site,
        value,
        [m for zone in zones for m in zone.inputs],
        {**zones[0].conditions, "zones": " ".join(sorted({z.site.key for z in zones}))},
        parts=zones,
        parameters=zones[0].parameters,
        notes=[note for zone in zones for note in zone.notes],
        counts=Counter(found + missing),
    )


METRIC = Metric(
    name="touch-threshold-nerve",
    version=1,
    title="Touch thresholds by nerve",
    values=CATEGORIES,
    formula=(
        "The worst category among the zones tested at one visit that this nerve usually serves, and the number of "
        "zones in each category. Zones served by two nerves are left out."
    ),
    source=Source("counting rule of this project; which nerve serves a zone is common practice", "project rule"),
    rule=compute,
    caveat="holds for the zones that were tested; which nerve serves a zone varies from person to person",
)
