"""The effect of each single case: its first stretch with an orthosis beside the one before, and one effect a patient.

Several digits of one patient make one effect, their mean, with the square of the mean of their standard errors for its
variance: that is right where errors within a patient go together wholly, and too wide otherwise. "Effect" is the word
of the methods used; a difference between two stretches of time has many causes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean

from service.domain.change.segmented import LEAST, segmented
from service.domain.change.single_case import log_response_ratio
from service.domain.change.trend import Z
from service.domain.metric import Missing
from service.domain.outcomes.stretches import Stretch

Found = tuple[float, float] | Missing
_EXACT = 1e-9


@dataclass(frozen=True, slots=True)
class Case:
    """One line with enough readings before and during: its two stretches."""

    before: Stretch
    during: Stretch

    @property
    def patient(self) -> str:
        """Name in the study."""
        return self.before.patient

    @property
    def side(self) -> str:
        """Left or right."""
        return self.before.side

    @property
    def digit(self) -> str:
        """The digit, or empty."""
        return self.before.digit


@dataclass(frozen=True, slots=True)
class PatientEffect:
    """The effect of one patient with its standard error, and how many lines it is of."""

    patient: str
    effect: float
    error: float
    lines: int


def case_of(stretches: Sequence[Stretch]) -> Case | None:
    """The stretch before any orthosis and the first with one, where both have readings enough."""
    for before, during in pairwise(stretches):
        pair = (before.stage, during.stage) == ("before", "orthosis")
        if pair and min(len(before.points), len(during.points)) >= LEAST:
            return Case(before, during)
    return None


def _segmented(case: Case, name: str) -> Found:
    points = [*case.before.points, *case.during.points]
    times = [day / 7 for day, _ in points]
    fit = segmented(times, [value for _, value in points], case.during.since / 7, len(case.before.points))
    if isinstance(fit, Missing):
        return fit
    found = fit.level_change if name == "level" else fit.slope_change
    return found.value, found.error


def _ratio(case: Case) -> Found:
    before, during = ([value for _, value in each.points] for each in (case.before, case.during))
    found = log_response_ratio(before, during)
    return found if isinstance(found, Missing) else (found[0], (found[1][1] - found[0]) / Z)


EFFECTS: Mapping[str, tuple[str, Callable[[Case], Found]]] = {
    "level-change": (
        "change of level when the orthosis began, in the unit of the measure (segmented regression)",
        lambda case: _segmented(case, "level"),
    ),
    "slope-change": (
        "change of the rate, units a week (segmented regression)",
        lambda case: _segmented(case, "slope"),
    ),
    "log-response-ratio": ("logarithm of the mean during the orthosis over the mean before (Pustejovsky 2018)", _ratio),
}
"""Name to meaning and the function of a case; all suppose that errors of neighbouring visits are independent."""


def by_patient(cases: Sequence[Case], effect: Callable[[Case], Found]) -> tuple[list[PatientEffect], dict[str, int]]:
    """One effect a patient, and how many lines have none, by reason."""
    found: dict[str, list[tuple[float, float]]] = {}
    none: dict[str, int] = {}
    for case in cases:
        one = effect(case)
        if not isinstance(one, Missing) and one[1] <= _EXACT:
            one = Missing("exact", "The values lie on the lines exactly: their error cannot be told.")
        if isinstance(one, Missing):
            none[one.reason] = none.get(one.reason, 0) + 1
        else:
            found.setdefault(case.patient, []).append(one)
    effects = [
        PatientEffect(patient, fmean(e for e, _ in own), fmean(s for _, s in own), len(own))
        for patient, own in sorted(found.items())
    ]
    return effects, none
