"""Movement patterns in the orthosis, just out of it, and free: what a digit did first and last in each state.

A pattern has no order and no better side, so it has no gain: it is the same, or it changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from service.domain.anatomy import PartState, Site, lacking
from service.domain.change.carry_over import FREE, IN, STATE, STATES
from service.domain.change.comparable import Input
from service.domain.change.gathering import WRONG
from service.domain.field import REPEAT, UNKNOWN
from service.domain.kinds.movement_pattern import KIND, PATTERN
from service.domain.measurement import Coded, Measurement


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen at one visit."""

    when: datetime
    code: str
    words: str
    inputs: tuple[Input, ...]


@dataclass(frozen=True, slots=True)
class PatternResponse:
    """One pattern of one digit. `first` and `last` are by state of the orthosis; `unknown` where none was recorded.

    `not_carried` tells a pattern that changed in the orthosis and is free as it was free before.
    """

    pattern: str
    site: Site
    first: Mapping[str, Seen]
    last: Mapping[str, Seen]
    not_carried: bool
    words: str


def patterns_of(measurements: Iterable[Measurement], states: Iterable[PartState] = ()) -> tuple[PatternResponse, ...]:
    """Every pattern of every digit that was looked at, by state of the orthosis."""
    known, lines = tuple(states), dict[tuple[Site, str, str], dict[str, list[Seen]]]()
    for reading in sorted(measurements, key=lambda m: m.circumstances.taken):
        if _counts(reading, known) and isinstance(reading.value, Coded):
            key = (reading.site, reading.answer(PATTERN.name), reading.answer("treatment"))
            lines.setdefault(key, {}).setdefault(reading.answer(STATE), []).append(_seen(reading, reading.value.code))
    return tuple(_response(site, pattern, by_state) for (site, pattern, _), by_state in lines.items())


def _counts(reading: Measurement, states: tuple[PartState, ...]) -> bool:
    around = reading.circumstances
    return (
        reading.kind == KIND.name
        and around.status not in WRONG
        and reading.answer(REPEAT.name) == UNKNOWN
        and lacking(states, reading.site, around.taken.date()) is None
    )


def _seen(reading: Measurement, code: str) -> Seen:
    around = reading.circumstances
    return Seen(around.taken, code, KIND.values[code].display, (Input(around.id, around.version),))


def _response(site: Site, pattern: str, by_state: Mapping[str, list[Seen]]) -> PatternResponse:
    first = {state: seen[0] for state, seen in by_state.items()}
    last = {state: seen[-1] for state, seen in by_state.items()}
    changed = {state: first[state].code != last[state].code for state in by_state}
    seen_after = IN in last and FREE in last and first[FREE].when < last[IN].when <= last[FREE].when
    not_carried = seen_after and changed[IN] and not changed[FREE]
    named = PATTERN.choices[pattern].display
    told = [f"{STATES.get(s, 'state of the orthosis not recorded')}: {_run(first[s], last[s])}" for s in by_state]
    if not_carried:
        told.append("changed in the orthosis, the same free")
    return PatternResponse(pattern, site, first, last, not_carried, f"{named}: {'; '.join(told)}")


def _run(first: Seen, last: Seen) -> str:
    days = f"{first.when.date().isoformat()} to {last.when.date().isoformat()}"
    if first is last:
        return f"{first.words} on {first.when.date().isoformat()}"
    return f"{first.words}, unchanged {days}" if first.code == last.code else f"{first.words} to {last.words}, {days}"
