"""Which readings may stand in one line over time, and what changed around them within it.

A series never mixes what its kind's key names; unknown matches only unknown. What the kind watches may change, but
every change is marked.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.domain.arcs import direction_of
from service.domain.kinds import KINDS
from service.domain.measurement import Measurement


def key_of(measurement: Measurement) -> tuple[str, ...]:
    """What must agree with another reading before the two may be compared."""
    return (measurement.kind, *(_part(measurement, name) for name in KINDS[measurement.kind].series_key))


def _part(measurement: Measurement, name: str) -> str:
    if name == "site":
        return measurement.site.code
    if name == "direction":
        return direction_named(measurement)
    return measurement.answer(name)


def direction_named(measurement: Measurement) -> str:
    """The direction whose end a reading of motion states; empty for any other reading."""
    direction = direction_of(measurement.site.part.joint, measurement.answer("motion"))
    return direction.name if direction else ""


def watched(measurement: Measurement) -> dict[str, str]:
    """What may change within a series, and is marked when it does."""
    return {name: _watch(measurement, name) for name in KINDS[measurement.kind].watched}


def _watch(measurement: Measurement, name: str) -> str:
    if name == "performer":
        return measurement.circumstances.performer or measurement.circumstances.performer_name or "unknown"
    if name == "time_of_day" and measurement.circumstances.day_only:
        return "unknown"
    if name == "time_of_day":
        return "morning" if measurement.circumstances.taken.hour < 12 else "afternoon"
    return measurement.answer(name)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Whether two readings may be compared; `because` says why not, `changed` what changed though they may."""

    comparable: bool
    because: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()


def compare(earlier: Measurement, later: Measurement) -> Comparison:
    """`comparable`, with the watched fields that changed, or not, and because of what."""
    if earlier.kind != later.kind:
        return Comparison(False, (f"{earlier.kind} and {later.kind} are different kinds",))
    names = KINDS[later.kind].series_key
    reasons = tuple(
        f"{name.replace('_', ' ')}: {before} before, {after} now"
        for name, before, after in zip(names, key_of(earlier)[1:], key_of(later)[1:], strict=True)
        if before != after
    )
    if reasons:
        return Comparison(False, reasons)
    before, after = watched(earlier), watched(later)
    changes = tuple(
        f"{n.replace('_', ' ')}: {before[n]} before, {after[n]} now" for n in after if before[n] != after[n]
    )
    return Comparison(True, (), changes)


def in_series(measurements: Iterable[Measurement]) -> dict[tuple[str, ...], list[Measurement]]:
    """The readings grouped into lines, each in order of time."""
    lines: dict[tuple[str, ...], list[Measurement]] = {}
    for measurement in sorted(measurements, key=lambda m: m.circumstances.taken):
        lines.setdefault(key_of(measurement), []).append(measurement)
    return lines
