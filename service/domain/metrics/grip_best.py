"""The largest trial of a grip test."""

from __future__ import annotations

from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Result, Source
from service.domain.metrics.strength_trials import GRIP, conditions_of, each_test, named, trials_done


def best_of(metric: Metric, test: Measurement) -> Result:
    """The largest trial done of one test."""
    done = trials_done(test)
    value: Quantity | Missing = (
        max(done, key=lambda q: q.number)
        if done
        else Missing("no-trials", f"The trials of the {named(test)} are not recorded.")
    )
    return metric.result(test.site, value, (test,), conditions_of(test))


METRIC: Metric = Metric(
    name="grip-best",
    version=1,
    title="Best grip trial",
    formula="The largest of the trials done, in the unit of the reading.",
    source=Source("largest trial per hand as in CDC NHANES 2011-2012, MGX_G documentation", "published"),
    rule=each_test(GRIP, lambda test: best_of(METRIC, test)),
)
