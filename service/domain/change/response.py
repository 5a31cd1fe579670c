"""In the orthosis, just out of it, and free: the gains side by side, what carries over, and what is left after removal.

An angle in which an orthosis holds a joint says what the orthosis is like, not what the joint can do: readings taken
in it are left out for the joints that its design holds.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise

from service.domain.anatomy import PARTS, Site
from service.domain.change.carry_over import FREE, IN, OUT, STATE, STATES, CarryOver, Gain, carried
from service.domain.change.comparable import LeftOut, Point, Trajectory
from service.domain.change.phases import Phase, concerns
from service.domain.change.verdict import Change, change_of
from service.domain.metric import Missing
from service.domain.orthosis.design import Design
from service.domain.orthosis.episode import Episode
from service.domain.orthosis.life import Life

Worn = Sequence[tuple[Episode, Life]]
PhasesOf = Callable[[Trajectory], Sequence[Phase]]


@dataclass(frozen=True, slots=True)
class Decay:
    """What became of a measure after an orthosis came off, on the day `removed`, until another or until today.

    `at_once` runs from the last reading just out of it to the first free one: two conditions, one beside the other.
    `after` runs from the first free reading to the last.
    """

    orthosis: str
    removed: date
    until: date | None
    at_once: Change
    after: Change


@dataclass(frozen=True, slots=True)
class Response:
    """One measure at one site, by state of the orthosis. A state without a usable reading has no gain."""

    measure: str
    title: str
    site: Site
    unit: str
    gains: tuple[Gain, ...]
    carry_over: tuple[CarryOver, ...]
    decay: tuple[Decay, ...]
    notes: tuple[str, ...] = ()


def responses_of(trajectories: Iterable[Trajectory], worn: Worn, phases_of: PhasesOf) -> tuple[Response, ...]:
    """The response of every measure that was read in an orthosis or just out of one."""
    alike: dict[tuple[object, ...], dict[str, Trajectory]] = {}
    for each in trajectories:
        state = each.conditions.get(STATE, "")
        if state in STATES:
            same = tuple(sorted((n, a) for n, a in each.conditions.items() if n != STATE))
            alike.setdefault((each.measure, each.site, each.unit, same), {})[state] = each
    return tuple(_response(lines, worn, phases_of) for lines in alike.values() if IN in lines or OUT in lines)


def _response(lines: dict[str, Trajectory], worn: Worn, phases_of: PhasesOf) -> Response:
    notes: list[str] = []
    if IN in lines:
        lines = {**lines, IN: _without_held(lines[IN], worn)}
        notes += _of_orthoses(lines[IN], worn)
    leading = next((s for s in (IN, OUT) if s in lines and lines[s].points), None)
    gains = _gains(lines, leading) if leading else ()
    one = next(iter(lines.values()))
    free = lines.get(FREE)
    return Response(
        measure=one.measure,
        title=one.title,
        site=one.site,
        unit=one.unit,
        gains=gains,
        carry_over=carried(gains),
        decay=tuple(_decays(free, lines.get(OUT), phases_of(free))) if free and free.points else (),
        notes=(*notes, *_of_held(lines.get(IN))),
    )


def _without_held(line: Trajectory, worn: Worn) -> Trajectory:
    """The readings in an orthosis without those of joints that the design of that orthosis held."""
    kept: list[Point] = []
    left: list[LeftOut] = list(line.left_out)
    for point in line.points:
        holding = [e.name or e.id for e, design in _on(line, worn, point.day) if holds(design.joints, line)]
        if holding:
            reason = f"The orthosis worn that day ({', '.join(holding)}) holds the joint: its angle is set."
            left.append(LeftOut(point.when, point.visit, Missing("held", reason)))
        else:
            kept.append(point)
    return replace(line, points=tuple(kept), left_out=tuple(left))


def holds(joints: Collection[str], line: Trajectory) -> bool:
    """Whether joints that are held (part keys) are of what a line measures: the joint, or a joint of the digit."""
    part, counted = line.site.part, line.conditions.get("joints", "").split()
    if part.kind != "digit":
        return line.site.key in joints
    of_digit = [PARTS[key].joint for key in joints if PARTS[key].digit == part.digit]
    return any(not counted or joint in counted for joint in of_digit)


def _on(line: Trajectory, worn: Worn, day: date) -> list[tuple[Episode, Design]]:
    """The orthoses of that part worn on a day, each as it was then."""
    return [
        (episode, life.design_on(day, episode.design))
        for episode, life in worn
        if concerns(life.design, line.site)
        and any(s.since.day <= day and (s.until is None or day <= s.until.day) for s in life.spans)
    ]


def _of_orthoses(line: Trajectory, worn: Worn) -> Iterable[str]:
    on = [_on(line, worn, point.day) for point in line.points]
    names = dict.fromkeys(episode.name or episode.id for of_day in on for episode, _ in of_day)
    if len(names) > 1:
        yield f"the readings in an orthosis are of several: {', '.join(names)}"
    number = sum(not of_day for of_day in on)
    if number:
        yield (
            f"for {number} of {len(line.points)} readings in an orthosis none is on record as worn that day: whether it"
            " held the joint is not known"
        )


def _of_held(line: Trajectory | None) -> Iterable[str]:
    number = sum(left.because.rule == "held" for left in line.left_out) if line else 0
    if number:
        told = (
            "1 reading in an orthosis that holds the joint is"
            if number == 1
            else (f"{number} readings in an orthosis that holds the joint are")
        )
        yield f"{told} left out: the angle is set by its design"


def _gains(lines: dict[str, Trajectory], leading: str) -> tuple[Gain, ...]:
    """The leading line from its first to its last point; the others between the readings nearest around that time."""
    points = lines[leading].points
    first, last = points[0].day, points[-1].day
    found = [Gain(leading, lines[leading], change_of(lines[leading], points[0], points[-1]))]
    for state in (OUT, FREE):
        line = lines.get(state)
        if line and line.points and state != leading:
            found.append(Gain(state, line, change_of(line, *_around(line.points, first, last))))
    return tuple(found)


def _around(points: Sequence[Point], first: date, last: date) -> tuple[Point, Point]:
    before = [p for p in points if p.day <= first]
    after = [p for p in points if p.day >= last]
    return (before[-1] if before else points[0]), (after[0] if after else points[-1])


def _decays(free: Trajectory, out: Trajectory | None, phases: Sequence[Phase]) -> Iterable[Decay]:
    for worn, bare in pairwise(phases):
        if not worn.worn or bare.worn:
            continue
        until = bare.until or date.max
        after = [p for p in free.points if bare.since <= p.day < until]
        before = [p for p in (out.points if out else ()) if worn.since <= p.day <= bare.since]
        first = after[0] if after else Missing("no-reading", "There is no free reading after it came off.")
        last = after[-1] if after else first
        start = (
            before[-1] if before else Missing("no-reading", "There is no reading just out of it before it came off.")
        )
        yield Decay(worn.label, bare.since, bare.until, change_of(free, start, first), change_of(free, first, last))
