"""End feel: what the examiner's hand feels where passive motion of a joint stops. The names are common practice."""

from __future__ import annotations

from service.domain.anatomy import PARTS
from service.domain.arcs import direction_of
from service.domain.kinds.joint_motion import MOTION
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="end-feel",
    version=1,
    title="End feel",
    description="What is felt where passive motion of a joint stops.",
    sites=tuple(key for key, part in PARTS.items() if part.kind == "joint"),
    stem="end-feel",
    axes=(MOTION,),
    fields=(),
    units=(),
    values=terms(
        Term("soft", "soft: stopped by soft tissue"),
        Term("firm", "firm: stopped by capsule or ligament"),
        Term("hard", "hard: stopped by bone"),
        Term("springy", "springy: rebounds"),
        Term("spasm", "stopped by muscle spasm"),
        Term("empty", "empty: stopped by pain before any resistance is felt"),
    ),
    series_key=("site", "direction", "treatment", "repeat"),
    watched=("performer", "pain_limited"),
    read=read_value,
    display=in_words("End feel", MOTION),
    needs_motion=True,
    placed=lambda site, axes: direction_of(site.part.joint, axes["motion"]) is not None,
)
