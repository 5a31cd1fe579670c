"""Response of a stiff joint to heat and stretch: the passive motion gained within one session, in degrees.

The test is described by Weeks and by Flowers (J Hand Ther 2002); what a gain suggests is not said here.
"""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.arcs import direction_of
from service.domain.field import Field
from service.domain.kinds.joint_motion import MOTION, bounds
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="stiffness-response",
    version=1,
    title="Response of stiffness to heat and stretch",
    description="Passive motion gained within one session after heat and a held stretch, in degrees; 0 is no gain.",
    sites=tuple(key for key, part in PARTS.items() if part.kind == "joint"),
    stem="stiffness-response",
    axes=(MOTION,),
    fields=(
        Field("heat_time", "For how long heat was applied", units=("min",)),
        Field("stretch_time", "For how long the stretch was held", units=("min",)),
    ),
    units=("deg",),
    series_key=("site", "direction", "heat_time", "stretch_time", "treatment", "repeat"),
    watched=("performer", "instrument", "pain_limited"),
    read=read_value,
    display=in_words("Gain after heat and stretch", MOTION),
    bounds=bounds,
    needs_motion=True,
    placed=lambda site, axes: direction_of(site.part.joint, axes["motion"]) is not None,
)
