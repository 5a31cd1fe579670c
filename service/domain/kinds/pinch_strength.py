"""Pinch strength: the force between thumb and fingers on a pinch gauge, by the way of pinching, every trial kept."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from service.domain.anatomy import Site
from service.domain.field import ORTHOSIS_STATE, Field, choices
from service.domain.kinds.grip_strength import POSTURE, zero
from service.domain.measurement import Bounds, MeasurementKind
from service.domain.trials import SUMMARY_RULES
from service.domain.values import in_words, read_value

PINCH = Field(
    "pinch",
    "The way of pinching",
    choices(
        tip="tip pinch: tip of the thumb to the tip of one finger",
        key="key pinch (lateral): thumb to the side of the index finger",
        three_jaw="three-jaw pinch (palmar): thumb to index and middle finger",
    ),
    required=True,
)
OPPOSED = Field(
    "opposed_finger",
    "The finger that the thumb pinched against, where it was one",
    choices(index="index finger", middle="middle finger", ring="ring finger", little="little finger"),
)
METHOD = Field(
    "method",
    "Kind of pinch gauge",
    choices(
        hydraulic_gauge="hydraulic gauge",
        electronic_gauge="electronic gauge",
        spring_gauge="spring gauge",
        other="another instrument",
    ),
    place="method",
)


def bounds(_site: Site, axes: Mapping[str, str]) -> Bounds | None:
    """For tip pinch soft 36 and hard 60 pounds-force; none is proposed for the other ways of pinching."""
    if axes["pinch"] != "tip":
        return None
    source = (
        "a limit of this record: soft is the maximum of a 1985 table (secondary copy); no publication of the hard bound"
    )
    return Bounds(Decimal(36), Decimal(60), "[lbf_av]", source)


KIND = MeasurementKind(
    name="pinch-strength",
    version=1,
    title="Pinch strength",
    description="Force between thumb and fingers on a gauge, by the way of pinching, each trial kept.",
    sites=("hand",),
    stem="pinch-strength",
    axes=(PINCH, ORTHOSIS_STATE),
    fields=(OPPOSED, POSTURE, METHOD),
    units=("kgf", "[lbf_av]", "N"),
    series_key=(
        "site", "pinch", "orthosis_state", "opposed_finger", "posture", "summary_rule", "treatment", "repeat",
    ),
    watched=("performer", "instrument", "method", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Pinch strength", PINCH, ORTHOSIS_STATE),
    summary_rules=SUMMARY_RULES,
    bounds=bounds,
    checks=(zero,),
    better=lambda _axes: "more",
)  # fmt: skip
