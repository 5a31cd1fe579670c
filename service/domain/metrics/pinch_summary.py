"""Pinch strength of a hand: the recorded value with the rule that made it, its trials, their best and their spread."""

from __future__ import annotations

from service.domain.measurement import Measurement
from service.domain.metric import Metric, Result, Source
from service.domain.metrics import pinch_best, pinch_variation
from service.domain.metrics.grip_best import best_of
from service.domain.metrics.grip_summary import summary_of
from service.domain.metrics.grip_variation import variation_of
from service.domain.metrics.strength_trials import PINCH, each_test


def _of_pinch(test: Measurement) -> Result:
    return summary_of(METRIC, test, (best_of(pinch_best.METRIC, test), variation_of(pinch_variation.METRIC, test)))


compute = each_test(PINCH, _of_pinch)

METRIC = Metric(
    name="pinch-summary",
    version=1,
    title="Pinch strength",
    formula="The recorded value, in the unit of the reading, as the named rule makes it of the trials done.",
    source=Source("mean of three trials: Mathiowetz et al. 1984", "published"),
    rule=compute,
)
