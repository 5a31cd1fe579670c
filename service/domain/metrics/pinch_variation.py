"""Coefficient of variation of the trials of a pinch test."""

from __future__ import annotations

from service.domain.metric import Metric, Source
from service.domain.metrics import grip_variation
from service.domain.metrics.grip_variation import variation_of
from service.domain.metrics.strength_trials import PINCH, each_test

METRIC: Metric = Metric(
    name="pinch-variation",
    version=1,
    title="Coefficient of variation of the pinch trials",
    unit="%",
    formula=grip_variation.METRIC.formula,
    source=Source("as for grip: Shechtman, part I", "project rule"),
    rule=each_test(PINCH, lambda test: variation_of(METRIC, test)),
    caveat="a number only, no sign of effort; for grip the cut-off of 7.5% misjudged most sincere people",
)
