"""What the events of an episode came to: its state, when it was worn and how, and what it is like now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from service.domain.orthosis.design import Design
from service.domain.orthosis.episode import Event
from service.domain.orthosis.regimens import DAY, Regimen


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time under one regimen. `until` is the event that ended it, None while it lasts."""

    regimen: Regimen
    since: Event
    until: Event | None = None

    def covers(self, day: date) -> bool:
        """Whether it was in force on a day; the day it ended on belongs to what came next."""
        return self.since.day <= day and (self.until is None or day < self.until.day)

    def hours(self, now: datetime) -> Decimal:
        """Hours, to a hundredth, from its beginning to its end or to `now`; in whole days where a time is not known."""
        end = self.until
        if self.since.day_only or (end is not None and end.day_only):
            last = end.day if end else now.astimezone(self.since.at.tzinfo).date()
            return max(DAY * (last - self.since.day).days, Decimal(0))
        seconds = ((end.at if end else now) - self.since.at).total_seconds()
        return max(round(Decimal(int(seconds)) / 3600, 2), Decimal(0))


@dataclass(frozen=True, slots=True)
class Life:
    """What the events come to. `design` is the orthosis as it is now, after every change."""

    state: str
    design: Design
    fitted: bool = False
    spans: tuple[Span, ...] = ()
    ended: Event | None = None
    events: tuple[Event, ...] = ()
    changes: tuple[tuple[Event, Design], ...] = ()

    def design_on(self, day: date, first: Design) -> Design:
        """The orthosis as it was on a day, after the changes of that day; `first` is how it was made."""
        return next((design for event, design in reversed(self.changes) if event.day <= day), first)

    @property
    def worn(self) -> Span | None:
        """The regimen in force, while it is worn."""
        return self.spans[-1] if self.state == "worn" else None

    @property
    def unanswered(self) -> tuple[Event, ...]:
        """Checks entered as red flag for which nobody has recorded what was done."""
        return unanswered(self.events)

    def since(self, kind: str) -> Event | None:
        """The last event of a kind."""
        return next((event for event in reversed(self.events) if event.kind == kind), None)


def unanswered(events: Iterable[Event]) -> tuple[Event, ...]:
    """Of the events that count of one episode, the checks entered as red flag that no later event answers."""
    given = tuple(events)
    answered = {event.answers for event in given if event.kind == "answered"}
    return tuple(e for e in given if e.check and e.check.red_flag and e.place not in answered)


@dataclass(frozen=True, slots=True)
class RedFlag:
    """A check entered as red flag for which no named clinician has recorded yet what was done.

    `episode` is the key of the orthosis episode, `number` that of the event in it.
    """

    episode: tuple[str, str]
    number: int
    at: str
    findings: Mapping[str, str]
    by: str = ""

    @classmethod
    def of(cls, episode: tuple[str, str], event: Event) -> RedFlag:
        """The red flag that a check of an episode raised."""
        at = event.day.isoformat() if event.day_only else event.at.isoformat()
        return cls(episode, event.place, at, event.check.findings if event.check else {}, event.who)
