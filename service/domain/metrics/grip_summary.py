"""Grip strength of a hand: the recorded value with the rule that made it, its trials, their best and their spread."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.measurement import ABSENT_REASONS, Absent, Measurement, Quantity
from service.domain.metric import Metric, Missing, Result, Source
from service.domain.metrics import grip_best, grip_variation
from service.domain.metrics.grip_best import best_of
from service.domain.metrics.grip_variation import variation_of
from service.domain.metrics.strength_trials import GRIP, conditions_of, each_test, named


def summary_of(metric: Metric, test: Measurement, parts: Sequence[Result]) -> Result:
    """The recorded value of one test, with its trials, and their best and spread as its parts."""
    rule = test.answer("summary_rule")
    return metric.result(
        test.site,
        _value(test),
        (test,),
        conditions_of(test),
        parts=parts,
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
    return Missing("value-absent", f"The {named(test)} has no value: {reason}.")


def _notes(test: Measurement) -> list[str]:
    notes = [
        f"trial {number}: {ABSENT_REASONS[trial.reason]}"
        for number, trial in enumerate(test.trials, start=1)
        if isinstance(trial, Absent)
    ]
    return notes + ["trials not recorded"] * (not test.trials)


def _of_grip(test: Measurement) -> Result:
    return summary_of(METRIC, test, (best_of(grip_best.METRIC, test), variation_of(grip_variation.METRIC, test)))


compute = each_test(GRIP, _of_grip)

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
