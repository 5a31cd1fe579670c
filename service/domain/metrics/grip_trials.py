"""What the metrics of grip share: which readings they look at, and under which conditions two may be compared."""

from __future__ import annotations

from service.domain.kinds import grip_strength
from service.domain.measurement import Measurement, Quantity


def is_grip(measurement: Measurement) -> bool:
    """Whether it is a grip test."""
    return measurement.kind == grip_strength.KIND.name


def conditions_of(test: Measurement) -> dict[str, str]:
    """What must agree with another grip test, the side apart."""
    return {name: test.answer(name) for name in grip_strength.KIND.series_key if name != "site"}


def trials_done(test: Measurement) -> tuple[Quantity, ...]:
    """The trials that have a number, in order."""
    return tuple(t for t in test.trials if isinstance(t, Quantity))
