"""Phases of treatment: stretches of days under the same orthoses and regimens, "no orthosis" among them.

A phase is counted in days: it begins on the first day on which the set of orthoses worn at the part is another one.
What begins and ends on one day makes no phase. A reading belongs to the phase that was in force when it was taken; one
of the day on which a phase begins belongs to the phase before, unless its time is known to lie after the beginning.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from itertools import pairwise

from service.domain.anatomy import PARTS, Site
from service.domain.change.comparable import Point, Trajectory
from service.domain.orthosis.design import Design
from service.domain.orthosis.dose import SOURCES, Wear
from service.domain.orthosis.episode import Episode, Event
from service.domain.orthosis.life import Life
from service.domain.orthosis.naming import descriptive_name

NONE = "no orthosis"


@dataclass(frozen=True, slots=True)
class Worn:
    """One regimen of one orthosis: from `since` up to, not including, `until` (None: it lasts).

    `hours` are those prescribed a day, None where no number was. `begun` and `ended` are the moments, where known to
    the minute. `group` tells what counts as the same treatment: the episode with its regimen, or a series of casts.
    """

    episode: str
    name: str
    hours: Decimal | None
    since: date
    until: date | None
    begun: datetime | None
    ended: datetime | None
    group: str

    def covers(self, day: date) -> bool:
        """Whether it was to be worn on a day."""
        return self.since <= day and (self.until is None or day < self.until)


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of days with one set of orthoses; `until` is the first day of the next phase, None for the last.

    `begun` is the moment it began, where that is known to the minute. Before the first phase there is none: its
    `since` is the day of the first reading, or earlier.
    """

    label: str
    worn: tuple[Worn, ...]
    since: date
    until: date | None
    begun: datetime | None = None

    def days(self, today: date) -> int:
        """How many days it lasted up to today."""
        return max(((self.until or today) - self.since).days, 0)

    def began_before(self, point: Point) -> bool:
        """Whether it had begun when a reading was taken; on the day itself only where both times say so."""
        if point.day != self.since:
            return self.since < point.day
        return self.begun is not None and not point.day_only and self.begun < point.when


@dataclass(frozen=True, slots=True)
class Dose:
    """What one orthosis came to within a phase: hours prescribed in all, and hours reported or sensed with their days.

    `prescribed` is None where no number of hours was prescribed.
    """

    episode: str
    name: str
    days: int
    prescribed: Decimal | None
    worn: Mapping[str, Decimal]
    days_with_hours: Mapping[str, int]


def worn_at(site: Site, told: Iterable[tuple[Episode, Life]], *, series: bool = False) -> tuple[Worn, ...]:
    """Every regimen of every orthosis that concerns a part. With `series`, casts of one series are one treatment."""
    return tuple(
        _worn(episode, life, n, together=series)
        for episode, life in told
        if concerns(life.design, site)
        for n in range(len(life.spans))
    )


def _worn(episode: Episode, life: Life, number: int, *, together: bool) -> Worn:
    span = life.spans[number]
    name = episode.name or descriptive_name(life.design)
    treatment = f"{name}, {span.regimen.words}"
    group = f"{episode.id} {span.regimen.words}"
    if together and episode.series:
        treatment = group = f"series {episode.series.name}"
    elif episode.series:
        treatment = f"{treatment} ({episode.series.name} {episode.series.number})"
    return Worn(
        episode=episode.id,
        name=treatment,
        hours=span.regimen.prescribed,
        since=span.since.day,
        until=span.until.day if span.until else None,
        begun=_moment(span.since),
        ended=_moment(span.until) if span.until else None,
        group=group,
    )


def _moment(event: Event) -> datetime | None:
    return None if event.day_only else event.at


def concerns(design: Design, site: Site) -> bool:
    """Whether an orthosis is one of the digit or joint of a site.

    One that names neither joints nor digits concerns the whole side, as does any for what is measured of a hand.
    """
    if site.side and design.side != site.side:
        return False
    joints = {PARTS[j] for j in (*design.joints, *(b.joint for b in design.blocks)) if j in PARTS}
    digits = {*design.digits, *(part.digit for part in joints)} - {""}
    if site.part.digit:
        return site.part.digit in digits or (not digits and not joints)
    if site.part.kind == "joint":
        return site.part in joints or site.key in design.region.split("-") or (not digits and not joints)
    return True


def phases_of(worn: Iterable[Worn], first: date, last: date) -> tuple[Phase, ...]:
    """The phases from a first to a last day, both included, in order."""
    known = tuple(worn)
    bounds = {day for w in known for day in (w.since, w.until) if day and first <= day <= last}
    days = sorted({min([first, *bounds]), *bounds})
    found: list[Phase] = []
    for day in days:
        now = tuple(w for w in known if w.covers(day))
        if not found or {w.group for w in now} != {w.group for w in found[-1].worn}:
            if found:
                found[-1] = replace(found[-1], until=day)
            found.append(Phase(_label(now), now, day, None, _begun(known, day)))
        else:
            more = tuple(w for w in now if w not in found[-1].worn)
            found[-1] = replace(found[-1], worn=found[-1].worn + more)
    return tuple(found)


def _label(worn: Sequence[Worn]) -> str:
    return " and ".join(dict.fromkeys(sorted(w.name for w in worn))) or NONE


def _begun(worn: Iterable[Worn], day: date) -> datetime | None:
    """The moment of the last of the events that made this day a boundary; None where one of them has no time."""
    moments = [moment for w in worn for at, moment in ((w.since, w.begun), (w.until, w.ended)) if at == day]
    known = [moment for moment in moments if moment]
    return max(known) if known and len(known) == len(moments) else None


def parted(trajectory: Trajectory, phases: Sequence[Phase]) -> list[Trajectory]:
    """The trajectory cut into what belongs to each phase, in their order."""
    if not phases:
        return []
    cut: list[list[Point]] = [[] for _ in phases]
    for point in trajectory.points:
        begun = [n for n, phase in enumerate(phases) if phase.began_before(point)]
        cut[begun[-1] if begun else 0].append(point)
    return [replace(trajectory, points=tuple(points)) for points in cut]


def doses_of(phase: Phase, wear: Mapping[str, Iterable[Wear]], today: date) -> tuple[Dose, ...]:
    """What each orthosis of a phase came to within it; `wear` are hours by the id of the episode."""
    found: dict[str, list[Worn]] = {}
    for worn in phase.worn:
        found.setdefault(worn.episode, []).append(worn)
    return tuple(_dose(phase, regimens, list(wear.get(episode, ())), today) for episode, regimens in found.items())


def _dose(phase: Phase, regimens: Sequence[Worn], wear: Sequence[Wear], today: date) -> Dose:
    end = phase.until or today
    days = [max((min(w.until or end, end) - max(w.since, phase.since)).days, 0) for w in regimens]
    hours = [w.hours * n for w, n in zip(regimens, days, strict=True) if w.hours is not None]
    own = {source: [w for w in wear if w.source == source and phase.since <= w.day < end] for source in SOURCES}
    known = {source: of_source for source, of_source in own.items() if of_source}
    return Dose(
        episode=regimens[0].episode,
        name=regimens[0].name,
        days=sum(days),
        prescribed=sum(hours, Decimal(0)) if len(hours) == len(regimens) else None,
        worn={source: sum((w.hours for w in of_source), Decimal(0)) for source, of_source in known.items()},
        days_with_hours={source: len({w.day for w in of_source}) for source, of_source in known.items()},
    )


def began_at_extreme(before: Trajectory) -> str:
    """Whether the phase that follows began at the lowest or the highest of three visits or more; empty if not.

    What is extreme tends to be nearer to the middle the next time, whatever is done (regression to the mean).
    """
    values = before.values
    if len(values) < 3 or len(set(values)) == 1:
        return ""
    extreme = {min(values): "lowest", max(values): "highest"}.get(values[-1])
    if extreme is None:
        return ""
    return (
        f"began at the {extreme} of {len(values)} visits of the phase before: part of what follows may be the return "
        "of an extreme value (regression to the mean)"
    )


def neighbours(parts: Sequence[Trajectory]) -> list[tuple[int, int]]:
    """The numbers of phases that follow one another among those that have visits."""
    return list(pairwise(n for n, part in enumerate(parts) if part.points))
