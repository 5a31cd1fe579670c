"""Dexterity tests: the time a task takes, the pieces moved in a given time, or the score of a test."""

from __future__ import annotations

from service.domain.field import Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.trials import rules
from service.domain.values import in_words, read_value, unit_fits

RESULT = Field(
    "result",
    "What the test counts",
    choices(time="time for the task", pieces="pieces in the time allowed", score="score"),
    required=True,
)
TEST = Field("test", "The test, as the clinic names it, with its version", required=True)
ALLOWED = Field("time_allowed", "The time allowed", units=("s", "min"))

KIND = MeasurementKind(
    name="dexterity",
    version=1,
    title="Dexterity",
    description="Result of a named dexterity test with one hand or both: seconds, pieces or a score.",
    sites=("hand",),
    sides=("left", "right", "both"),
    stem="dexterity",
    axes=(RESULT,),
    fields=(TEST, ALLOWED),
    units=("s", "{piece}", "{score}"),
    series_key=("site", "result", "test", "time_allowed", "summary_rule", "treatment", "repeat"),
    watched=("performer", "instrument", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Dexterity", RESULT),
    summary_rules=rules("mean-of-trials", "best-of-trials", "smallest-of-trials", "single-value"),
    checks=(unit_fits("result", {"time": ("s",), "pieces": ("{piece}",), "score": ("{score}",)}),),
    better=lambda axes: "less" if axes["result"] == "time" else "more",
)
