"""The kinds of measurement, one file each, and the list of them."""

from __future__ import annotations

from service.domain.kinds import grip_strength, joint_motion, touch_threshold
from service.domain.measurement import MeasurementKind

KINDS: dict[str, MeasurementKind] = {
    kind.name: kind
    for kind in (
        joint_motion.KIND,
        grip_strength.KIND,
        touch_threshold.KIND,
    )
}
