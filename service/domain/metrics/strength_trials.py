"""What the metrics of grip and pinch share: which readings they look at, and when two may be compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction

from service.domain.anatomy import PartState
from service.domain.kinds import KINDS
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Compute, Parameters, Result
from service.domain.units import unit

GRIP, PINCH = "grip-strength", "pinch-strength"


def each_test(kind: str, result_of: Callable[[Measurement], Result]) -> Compute:
    """The rule that makes one result of each ordinary test of a kind."""

    def rule(
        measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
    ) -> tuple[Result, ...]:
        return tuple(result_of(m) for m in measurements if m.kind == kind and KINDS[kind].ordinary(m))

    return rule


def named(test: Measurement) -> str:
    """In words: `grip strength of the right hand`."""
    return f"{KINDS[test.kind].title.lower()} of the {test.site.name}"


def conditions_of(test: Measurement) -> dict[str, str]:
    """What must agree with another test, the side apart."""
    return {name: test.answer(name) for name in KINDS[test.kind].series_key if name != "site"}


def trials_done(test: Measurement) -> tuple[Quantity, ...]:
    """The trials that have a number, in order."""
    return tuple(t for t in test.trials if isinstance(t, Quantity))


def newtons(result: Result) -> Fraction | None:
    """The force of a result in newtons, exactly."""
    return Fraction(result.value.number) * unit(result.value.unit).size if isinstance(result.value, Quantity) else None
