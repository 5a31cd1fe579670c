"""The largest trial of a pinch test."""

from __future__ import annotations

from service.domain.metric import Metric, Source
from service.domain.metrics.grip_best import best_of
from service.domain.metrics.strength_trials import PINCH, each_test

METRIC: Metric = Metric(
    name="pinch-best",
    version=1,
    title="Best pinch trial",
    formula="The largest of the trials done, in the unit of the reading.",
    source=Source("as for grip: CDC NHANES 2011-2012, MGX_G documentation", "project rule"),
    rule=each_test(PINCH, lambda test: best_of(METRIC, test)),
)
