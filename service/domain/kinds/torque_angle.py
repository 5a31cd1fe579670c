"""Torque and angle: the angle at which a joint stands under a known force at a known distance, one point at a time.

Points of one visit with different forces make the curve of which a slope can be computed.
"""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.arcs import direction_of
from service.domain.field import Field
from service.domain.kinds.joint_motion import MOTION, bounds
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value

FORCE = Field("force", "The force applied", required=True, units=("gf", "kgf", "N", "[lbf_av]"))
LEVER = Field(
    "lever_arm",
    "The distance from the joint's axis at which the force was applied, square to the segment",
    required=True,
    units=("cm", "mm"),
)
HELD = Field("neighbours_held", "How the neighbouring joints were held, in the clinic's words")

KIND = MeasurementKind(
    name="torque-angle",
    version=1,
    title="Torque and angle",
    description="Angle of a joint under a known force at a known distance from its axis; the patient does not move it.",
    sites=tuple(key for key, part in PARTS.items() if part.kind == "joint"),
    stem="torque-angle",
    axes=(MOTION,),
    fields=(FORCE, LEVER, HELD),
    units=("deg",),
    series_key=("site", "direction", "force", "lever_arm", "neighbours_held", "treatment", "repeat"),
    watched=("performer", "instrument", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Angle under a known torque", MOTION),
    bounds=bounds,
    needs_motion=True,
    better=lambda axes: "less" if axes["motion"].endswith("-deficit") else "unstated",
    placed=lambda site, axes: direction_of(site.part.joint, axes["motion"]) is not None,
)
