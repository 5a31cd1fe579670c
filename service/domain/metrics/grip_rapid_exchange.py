"""Rapid exchange grip beside static grip: the difference of their peaks, a number and no verdict."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.anatomy import PartState
from service.domain.kinds.grip_strength import PROTOCOL, is_rapid_exchange
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of
from service.domain.metrics.strength_trials import GRIP, named, trials_done
from service.domain.units import convert

_ALIKE = ("orthosis_state", "handle_position", "posture", "treatment")


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each hand, visit and set of conditions with a test in rapid exchange."""
    tests: dict[tuple[str, ...], list[Measurement]] = {}
    for test in measurements:
        if test.kind == GRIP:
            tests.setdefault(_line(test), []).append(test)
    return tuple(_difference(found) for found in tests.values() if any(map(is_rapid_exchange, found)))


def _line(test: Measurement) -> tuple[str, ...]:
    return visit_of(test), test.site.code, *(test.answer(name) for name in _ALIKE)


def _difference(tests: Sequence[Measurement]) -> Result:
    rapid = [test for test in tests if is_rapid_exchange(test)]
    static = [test for test in tests if test.answer(PROTOCOL.name) == "static"]
    conditions = {name: rapid[0].answer(name) for name in _ALIKE}
    return METRIC.result(rapid[0].site, _value(rapid, static), [*rapid, *static], conditions)


def _value(rapid: Sequence[Measurement], static: Sequence[Measurement]) -> Quantity | Missing:
    if not static:
        reason = "No grip test of this visit, under these conditions, says that it was static."
        return Missing("static-not-tested", reason)
    exchanged, held = _forces(rapid), _forces(static)
    for tests, forces in ((rapid, exchanged), (static, held)):
        if not forces:
            return Missing("no-trials", f"The {named(tests[0])} has no force on record.")
    unit = exchanged[0].unit
    peaks = [max(convert(force.number, force.unit, unit) for force in forces) for forces in (exchanged, held)]
    return Quantity(peaks[0] - peaks[1], unit)


def _forces(tests: Sequence[Measurement]) -> list[Quantity]:
    """The forces of these tests: of their trials, or of a value whose trials were not given."""
    return [force for test in tests for force in (trials_done(test) or test.quantities)]


METRIC = Metric(
    name="grip-rapid-exchange",
    version=1,
    title="Rapid exchange grip: peak beside static grip",
    formula=(
        "Largest force in rapid exchange minus largest force in static grip, in the unit of the first; both of one "
        "visit, hand, handle position, posture and orthosis state."
    ),
    source=Source("Hildreth et al. 1989; Shechtman, J Hand Ther 2000, doi 10.1016/S0894-1130(00)80003-4", "published"),
    rule=compute,
    caveat=(
        "a number only, no sign of effort: the published rates (86% and 97% at 80 exchanges a minute) are of uninjured "
        "people; they were worse in patients, and low elsewhere (Hildreth 1989, Joughin 1993, Shechtman 2000)"
    ),
)
