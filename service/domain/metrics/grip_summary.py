"""Grip strength of a hand: the recorded value with the rule that made it, its trials, their best and their spread."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.measurement import ABSENT_REASONS, Absent, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics.grip_best import best_of
from service.domain.metrics.grip_trials import conditions_of, is_grip
from service.domain.metrics.grip_variation import variation_of


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each grip test."""
    return tuple(_summary(m) for m in measurements if is_grip(m))


def _summary(test: Measurement) -> Result:
    rule = test.answer("summary_rule")
    return METRIC.result(
        test.site,
        _value(test),
        (test,),
        conditions_of(test),
        parts=(best_of(test), variation_of(test)),
        parameters={"summary_rule": rule},
        notes=_notes(test),
        counts={
            "trials": len(test.trials),
            "trials-done": sum(isinstance(t, Quantity) for t in test.trials),
        },
    )


def _value(test: Measurement) -> Quantity | Missing:
    if isinstance(test.value, Quantity):
        return test.value
    reason = ABSENT_REASONS[test.value.reason] if isinstance(test.value, Absent) else "it is not a number"
    return Missing("value-absent", f"The grip of the {test.site.name} has no value: {reason}.")


def _notes(test: Measurement) -> list[str]:
    notes = [
        f"trial {number}: {ABSENT_REASONS[trial.reason]}"
        for number, trial in enumerate(test.trials, start=1)
        if isinstance(trial, Absent)
    ]
    return notes + ["trials not recorded"] * (not test.trials)


METRIC = Metric(
    name="grip-summary",
    version=1,
    title="Grip strength",
    formula="The recorded value, in the unit of the reading, as the named rule makes it of the trials done.",
    source=Source(
        "mean of three trials: Mathiowetz et al. 1984; CDC NHANES 2011-2012, MGX_G documentation", "published"
    ),
    rule=compute,
)
