"""The episode of one orthosis, from the decision to its end, as the events that happened.

The state is not kept: it is what the events, in their order, come to. So an event recorded late, or taken back, is
judged together with all the others, and a history that cannot have happened is refused as a whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from itertools import groupby

from service.domain.orthosis.design import Component, Design, Held
from service.domain.orthosis.regimens import Regimen

STATES: dict[str, str] = {
    "planned": "decided on, not yet made",
    "ready": "here, not worn",
    "worn": "worn",
    "on-hold": "not worn for the time being",
    "ended": "over",
    "entered-in-error": "never was",
}
END_REASONS: dict[str, str] = {
    "goal-met": "the goal was met",
    "replaced": "replaced by another",
    "not-tolerated": "not tolerated",
    "lost": "lost",
    "broken": "broken beyond repair",
    "removed-by-patient": "taken off for good by the patient",
    "removed-elsewhere": "taken off by another clinician",
    "abandoned-before-fitting": "given up before it was fitted",
    "plan-changed": "the plan changed",
    "unknown": "not recorded",
}
BEFORE_FITTING = frozenset({"abandoned-before-fitting", "replaced", "lost", "plan-changed"})
"""The reasons that an orthosis which was never fitted can end for."""


@dataclass(frozen=True, slots=True)
class Act:
    """What an event does: `leads` gives the states in which it can happen, each with the state after it.

    With `fitted` it can only happen once the orthosis was fitted or taken over.
    """

    title: str
    leads: Mapping[str, str]
    fitted: bool = False


def _act(title: str, steps: str, *, fitted: bool = False) -> Act:
    """`steps` are states; `a>b` leads from one to the other, `a` alone leaves it."""
    return Act(title, {a: b or a for a, _, b in (step.partition(">") for step in steps.split())}, fitted)


_HERE = "ready worn on-hold"
_EVER = "planned ready worn on-hold ended"

ACTS: dict[str, Act] = {
    "ordered": _act("Ordered", f"planned {_HERE}"),
    "made": _act("Made", "planned>ready"),
    "delivered": _act("Delivered", f"planned>ready {_HERE}"),
    "fitted": _act("Fitted", "planned>ready ready"),
    "taken-over": _act("Taken over from elsewhere", "planned>ready"),
    "worn": _act("Worn from here on", "ready>worn worn on-hold>worn ended>worn", fitted=True),
    "held": _act("Put on hold", "worn>on-hold"),
    "ended": _act("Ended", "planned>ended ready>ended worn>ended on-hold>ended"),
    "adjusted": _act("Adjusted", _HERE),
    "remoulded": _act("Remoulded", _HERE),
    "cut-in-halves": _act("Cut in halves", _HERE, fitted=True),
    "component-added": _act("Component added", _HERE),
    "component-removed": _act("Component taken off", _HERE),
    "repaired": _act("Repaired", _HERE),
    "checked": _act("Skin and circulation checked", f"{_HERE} ended", fitted=True),
    "exercise": _act("Exercises prescribed", f"{_HERE} ended"),
    "reviewed": _act("Reviewed at a distance", _EVER),
    "answered": _act("Red flag answered", f"{_HERE} ended"),
    "entered-in-error": _act("Entered in error", " ".join(f"{state}>entered-in-error" for state in _EVER.split())),
}

FINDINGS: dict[str, str] = {
    "skin": "skin",
    "colour": "colour",
    "capillary-refill": "capillary refill",
    "temperature": "temperature",
    "sensation": "numbness or tingling",
    "pain": "pain",
    "swelling": "swelling",
    "movement": "movement of free joints",
}
"""What a check looks at (from memory of common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Check:
    """A check of skin and circulation: what was found, by item, in words; and whether it was a red flag."""

    findings: Mapping[str, str] = field(default_factory=dict)
    red_flag: bool = False


@dataclass(frozen=True, slots=True)
class Exercise:
    """Exercises in the orthosis: the joint that leads, repetitions, and the share of the day of each component (%)."""

    leads: str = ""
    repetitions: int | None = None
    times_a_day: int | None = None
    shares: Mapping[str, Decimal] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to the orthosis.

    `at` carries its offset; with `day_only` only the day is known. `place` is its number in the order of recording,
    from 1. `by` is a reference, `by_name` a name. `regimen` goes with `worn`, `reason` with `ended`, `holds` with a
    change of angles, `component` with its adding and taking off, `answers` (the place of a check) with `answered`.
    `retracted` says why it is taken back; a retracted event stays written and counts for nothing.
    """

    kind: str
    at: datetime
    day_only: bool = False
    place: int = 0
    by: str = ""
    by_name: str = ""
    expertise: str = ""
    where: str = ""
    note: str = ""
    regimen: Regimen | None = None
    reason: str = ""
    replaced_by: str = ""
    holds: tuple[Held, ...] = ()
    component: Component | None = None
    check: Check | None = None
    exercise: Exercise | None = None
    answers: int = 0
    retracted: str = ""
    id: str = ""

    @property
    def day(self) -> date:
        """The local calendar day."""
        return self.at.date()

    @property
    def who(self) -> str:
        """Whoever did it: the name, or the reference."""
        return self.by_name or self.by


@dataclass(frozen=True, slots=True)
class Series:
    """The place of an episode among others that follow one another (cast 1 to N), and why the last was changed."""

    name: str
    number: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Episode:
    """One orthosis on one body region, from decision to end. `key` identifies it where it came from.

    `planned` is the day it is meant for, which is no event. `names` are other names it goes by.
    """

    key: tuple[str, str]
    patient: str
    decided: date
    design: Design
    events: tuple[Event, ...] = ()
    name: str = ""
    names: tuple[str, ...] = ()
    by: str = ""
    by_name: str = ""
    reason: str = ""
    goal: str = ""
    planned: date | None = None
    series: Series | None = None
    id: str = ""
    device_id: str = ""
    request_id: str = ""

    def with_events(self, added: Iterable[Event]) -> Episode:
        """The episode with more events, numbered after those it has."""
        last = max((event.place for event in self.events), default=0)
        numbered = (replace(event, place=last + n) for n, event in enumerate(added, 1))
        return replace(self, events=(*self.events, *numbered))


def in_order(events: Iterable[Event]) -> list[Event]:
    """The events that count, by day; within a day by time where it is known, and as recorded where it is not."""
    counting = sorted((e for e in events if not e.retracted), key=lambda e: (e.day, e.place))
    found: list[Event] = []
    for _, group in groupby(counting, key=lambda e: e.day):
        of_day = list(group)
        timed = iter(sorted((e for e in of_day if not e.day_only), key=lambda e: (e.at, e.place)))
        found += [event if event.day_only else next(timed) for event in of_day]
    return found
