"""The metrics, one file each, and the list of them."""

from __future__ import annotations

from service.domain.metric import Metric
from service.domain.metrics import (
    active_passive_difference,
    arc_of_motion,
    grip_best,
    grip_ratio,
    grip_summary,
    grip_variation,
    percent_of_reference,
    total_active_motion,
    total_passive_motion,
    touch_threshold_category,
    touch_threshold_hand,
)

METRICS: dict[str, Metric] = {
    metric.name: metric
    for metric in (
        arc_of_motion.METRIC,
        total_active_motion.METRIC,
        total_passive_motion.METRIC,
        percent_of_reference.METRIC,
        active_passive_difference.METRIC,
        grip_summary.METRIC,
        grip_best.METRIC,
        grip_variation.METRIC,
        grip_ratio.METRIC,
        touch_threshold_category.METRIC,
        touch_threshold_hand.METRIC,
    )
}
