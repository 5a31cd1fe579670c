"""Zones of skin by monofilament: which lack protective sensation, and which are better or worse by marking steps.

Steps are places in the kit of 20, never grams: kit grams and formula grams differ. Zones that were tested with another
set than before are not compared: a set of five tells a threshold only to the next of its five.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from service.domain.anatomy import Site
from service.domain.change.comparable import Input
from service.domain.change.gathering import WRONG
from service.domain.field import REPEAT, UNKNOWN
from service.domain.kinds.touch_threshold import KIND, MARKINGS, NOT_FELT, SET, marking_of
from service.domain.measurement import ABSENT_REASONS, Absent, Coded, Measurement
from service.domain.metric import Missing
from service.domain.metrics.touch_threshold_category import CATEGORIES, SCHEMES

SCHEME = SCHEMES["hand-five-bands"]
LIMIT = "loss-of-protective-sensation"
_RANKED = tuple(CATEGORIES)
_PLACES = (*MARKINGS, NOT_FELT)


@dataclass(frozen=True, slots=True)
class Zone:
    """One zone at one test: the marking as printed, or `not-felt`, and its category."""

    site: Site
    day: date
    marking: str
    category: str
    monofilaments: str
    inputs: tuple[Input, ...]


@dataclass(frozen=True, slots=True)
class Zones:
    """The last test of each zone. `beyond` are those at or beyond loss of protective sensation."""

    tested: tuple[Zone, ...]
    beyond: tuple[Zone, ...]
    not_tested: Mapping[str, int]
    scheme: str
    source: str
    words: str


@dataclass(frozen=True, slots=True)
class Step:
    """A zone tested both times: how many markings lighter it is felt (more than 0) or heavier (less than 0)."""

    site: Site
    before: Zone
    now: Zone
    steps: int | Missing


@dataclass(frozen=True, slots=True)
class SharedZones:
    """The zones tested on the first and on the last day, and how many of those are better, worse and the same."""

    first: date
    last: date
    zones: tuple[Step, ...]
    better: int
    worse: int
    same: int
    not_compared: int
    words: str


def zones_of(measurements: Iterable[Measurement]) -> Zones | Missing:
    """The last test of each zone among these readings."""
    tested, not_tested = _tests(measurements)
    last = {zone.site: zone for zone in sorted(tested, key=lambda z: z.day)}
    if not last:
        return Missing("not-tested", "No zone of this nerve has a touch threshold on record.")
    found = tuple(last.values())
    beyond = tuple(z for z in found if _RANKED.index(z.category) >= _RANKED.index(LIMIT))
    named = f": {', '.join(f'{z.site.part.name} ({z.marking})' for z in beyond)}" if beyond else ""
    words = f"{len(beyond)} of {len(found)} zones at or beyond loss of protective sensation when last tested{named}"
    return Zones(found, beyond, not_tested, SCHEME.name, SCHEME.source.text, words)


def steps_of(measurements: Iterable[Measurement], since: date | None = None) -> SharedZones | Missing:
    """What became of each zone between the first and the last day of testing, from a day on."""
    tested = [z for z in _tests(measurements)[0] if since is None or z.day >= since]
    days = sorted({z.day for z in tested})
    if len(days) < 2:
        return Missing("one-visit", "Zones of this nerve were tested on fewer than two days.")
    before, now = ({z.site: z for z in tested if z.day == day} for day in (days[0], days[-1]))
    both = [Step(site, before[site], now[site], _step(before[site], now[site])) for site in before if site in now]
    counted = [each.steps for each in both if isinstance(each.steps, int)]
    better, worse = sum(n > 0 for n in counted), sum(n < 0 for n in counted)
    same, rest = len(counted) - better - worse, len(both) - len(counted)
    words = (
        f"of {len(both)} zones tested both on {days[0].isoformat()} and on {days[-1].isoformat()}, {better} better,"
        f" {worse} worse, {same} the same by marking" + (f", {rest} not compared" if rest else "")
    )
    return SharedZones(days[0], days[-1], tuple(both), better, worse, same, rest, words)


def _step(before: Zone, now: Zone) -> int | Missing:
    if before.monofilaments != now.monofilaments:
        reason = f"Tested with another set: {before.monofilaments} before, {now.monofilaments} now."
        return Missing("other-set", reason)
    return _PLACES.index(before.marking) - _PLACES.index(now.marking)


def _tests(measurements: Iterable[Measurement]) -> tuple[list[Zone], dict[str, int]]:
    """One test of each zone and day; what was not tested, or read twice with different results, counted by reason."""
    counting = [
        m
        for m in measurements
        if m.kind == KIND.name and m.circumstances.status not in WRONG and m.answer(REPEAT.name) == UNKNOWN
    ]
    zones, left = list[Zone](), dict[str, int]()
    ordered = sorted(counting, key=_of_day)
    for _, group in groupby(ordered, key=_of_day):
        of_day = list(group)
        found = _zone(of_day)
        if isinstance(found, Zone):
            zones.append(found)
        else:
            left[found] = left.get(found, 0) + 1
    return zones, left


def _of_day(measurement: Measurement) -> tuple[str, date]:
    return measurement.site.code, measurement.circumstances.taken.date()


def _zone(of_day: Sequence[Measurement]) -> Zone | str:
    values = {m.value for m in of_day}
    last = of_day[-1]
    if len(values) > 1:
        return "tested more than once that day, with different results"
    if isinstance(last.value, Absent):
        return ABSENT_REASONS[last.value.reason]
    assert isinstance(last.value, Coded)  # noqa: S101 - the kind has no other values
    marking = marking_of(last.value)
    category = NOT_FELT if marking == NOT_FELT else SCHEME.category(marking)
    inputs = tuple(Input(m.circumstances.id, m.circumstances.version) for m in of_day)
    return Zone(last.site, last.circumstances.taken.date(), marking, category, last.answer(SET.name), inputs)
