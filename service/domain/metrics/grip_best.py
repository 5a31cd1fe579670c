"""The largest trial of a grip test."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics.grip_trials import conditions_of, is_grip, trials_done


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each grip test."""
    return tuple(best_of(m) for m in measurements if is_grip(m))


def best_of(test: Measurement) -> Result:
    """The largest trial done of one test."""
    done = trials_done(test)
    value: Quantity | Missing = (
        max(done, key=lambda q: q.number)
        if done
        else Missing("no-trials", f"The trials of the grip of the {test.site.name} are not recorded.")
    )
    return METRIC.result(test.site, value, (test,), conditions_of(test))


METRIC = Metric(
    name="grip-best",
    version=1,
    title="Best grip trial",
    formula="The largest of the trials done, in the unit of the reading.",
    source=Source("largest trial per hand as in CDC NHANES 2011-2012, MGX_G documentation", "published"),
    rule=compute,
)
