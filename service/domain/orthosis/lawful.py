"""Whether an event can be as it stands, and whether it can have happened when it is said to."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from service.domain.orthosis.episode import (
    ACTS,
    BEFORE_FITTING,
    END_REASONS,
    FINDINGS,
    STATES,
    Episode,
    Event,
    Exercise,
)
from service.domain.orthosis.life import Life
from service.domain.orthosis.regimens import issues_of
from service.errors import Conflict, Issue


def _place(event: Event) -> str:
    return f"event {event.place}"


_EARLIEST_ZONE = timedelta(hours=14)
"""Where a day begins first: a day alone lies ahead only if it has begun nowhere."""


def begun(now: datetime) -> date:
    """The latest day that has begun anywhere."""
    return (now.astimezone(UTC) + _EARLIEST_ZONE).date()


def as_it_stands(event: Event, now: datetime | None) -> Iterator[Issue]:
    """Everything about an event that cannot be, whatever came before; with `now`, also one that lies ahead."""
    place = _place(event)
    if event.kind not in ACTS:
        expected = "one of " + ", ".join(ACTS)
        yield Issue("value", f"'{event.kind}' is not an event.", f"{place}.kind", event.kind, "known-event", expected)
        return
    yield from (issue.at(place) for issue in _belongings(event))
    if event.regimen:
        yield from (issue.at(place) for issue in issues_of(event.regimen))
    if event.exercise:
        yield from (issue.at(place) for issue in _exercise(event.exercise))
    if event.check:
        for item in event.check.findings:
            if item not in FINDINGS:
                expected = "one of " + ", ".join(FINDINGS)
                yield Issue("value", f"'{item}' is not an item of a check.", place, item, "known-finding", expected)
    late = now is not None and (event.day > begun(now) if event.day_only else event.at > now)
    if late:
        message = "What has not happened yet is no event; a day it is meant for is the episode's 'planned'."
        yield Issue("value", message, f"{place}.at", event.at.isoformat(), "not-in-the-future", "now or earlier")


_GOES_WITH: Mapping[str, tuple[str, ...]] = {
    "regimen": ("worn",),
    "reason": ("ended",),
    "replaced_by": ("ended",),
    "holds": ("adjusted", "remoulded"),
    "component": ("component-added", "component-removed"),
    "check": ("checked",),
    "exercise": ("exercise",),
    "answers": ("answered",),
}
_NEEDED = frozenset({"regimen", "reason", "component", "check", "exercise", "answers"})


def _belongings(event: Event) -> Iterator[Issue]:
    for name, kinds in _GOES_WITH.items():
        given = bool(getattr(event, name))
        if given and event.kind not in kinds:
            message = f"'{name}' goes with {' or '.join(kinds)}, not with {event.kind}."
            yield Issue("value", message, name, "", "detail-of-event", f"no {name}")
        if not given and event.kind in kinds and name in _NEEDED:
            yield Issue("required", f"An event '{event.kind}' needs its {name}.", name, "", "detail-of-event", name)
    if event.kind == "ended" and event.reason and event.reason not in END_REASONS:
        expected = "one of " + ", ".join(END_REASONS)
        yield Issue("value", f"'{event.reason}' is not a reason.", "reason", event.reason, "known-reason", expected)
    if event.replaced_by and event.reason != "replaced":
        message = "Only an orthosis that was replaced names the one that replaced it."
        yield Issue("value", message, "replaced_by", event.replaced_by, "replaced-by", "reason replaced")
    if event.kind == "answered" and not (event.by_name.strip() and event.note.strip()):
        message = "A red flag stays until a named clinician records what was done."
        yield Issue("required", message, "note", event.note, "red-flag-answer", "a name, and what was done")
    if event.kind == "entered-in-error" and not event.note.strip():
        message = "An episode is entered in error for a reason, which needs to be said."
        yield Issue("required", message, "note", "", "reason-of-error", "the reason")


def _exercise(given: Exercise) -> Iterator[Issue]:
    for name in ("repetitions", "times_a_day"):
        count = getattr(given, name)
        if count is not None and count < 1:
            yield Issue("value", "A count starts at 1.", f"exercise.{name}", str(count), "count", "1 or more")
    total = sum(given.shares.values(), Decimal(0))
    if any(share < 0 for share in given.shares.values()) or total > 100:
        message = "The shares of a day come to 100 % at most."
        yield Issue("value", message, "exercise.shares", str(total), "share", "0 to 100 together")


def require_lawful(episode: Episode, life: Life, event: Event) -> None:
    """Raises `Conflict`, with the rule and the state, for an event that cannot follow what happened so far."""
    act = ACTS[event.kind]
    if event.day < episode.decided:
        raise _refusal(life, event, "event-before-its-cause", "It would have happened before it was decided on.")
    if life.state not in act.leads:
        raise _refusal(life, event, "event-of-state", f"'{event.kind}' cannot happen in this state.", tuple(act.leads))
    if act.fitted and not life.fitted:
        message = f"'{event.kind}' cannot happen before it was fitted or taken over."
        raise _refusal(life, event, "fitted-first", message)
    special = _SPECIAL.get(event.kind)
    found = special(life, event) if special else None
    if found:
        raise _refusal(life, event, *found)


def _refusal(life: Life, event: Event, rule: str, message: str, states: tuple[str, ...] = ()) -> Conflict:
    present = f"{STATES[life.state]}"
    expected = "one of the states " + ", ".join(states) if states else "an event that can follow"
    told = f"{message} On {event.day.isoformat()} the orthosis was {life.state} ({present})."
    return Conflict(Issue("business-rule", told, _place(event), event.kind, rule, expected))


def _no_end(life: Life, event: Event) -> tuple[str, str] | None:
    if life.fitted and event.reason == "abandoned-before-fitting":
        return "reason-of-end", "It was fitted, so it was not given up before that."
    if not life.fitted and event.reason not in BEFORE_FITTING:
        return "reason-of-end", "It was never fitted, so it cannot end for this reason."
    return None


def _no_answer(life: Life, event: Event) -> tuple[str, str] | None:
    flags = {e.place for e in life.events if e.check and e.check.red_flag}
    if event.answers not in flags:
        return "event-before-its-cause", "There is no red flag before it with this number."
    return None


def _no_component(life: Life, event: Event) -> tuple[str, str] | None:
    name = event.component.name if event.component else ""
    there = name in {component.name for component in life.design.components}
    if there == (event.kind == "component-added"):
        return "component-name", f"A component '{name}' is {'there already' if there else 'not there'}."
    return None


def _no_exercise(life: Life, event: Event) -> tuple[str, str] | None:
    names = {component.name for component in life.design.components}
    missing = [name for name in (event.exercise.shares if event.exercise else ()) if name not in names]
    return ("component-name", f"The orthosis has no component '{missing[0]}'.") if missing else None


def _no_change(life: Life, event: Event) -> tuple[str, str] | None:
    unknown = {held.joint for held in event.holds} - life.design.joints
    return ("joint-held", f"It does not hold {', '.join(sorted(unknown))}.") if unknown else None


_SPECIAL: Mapping[str, Callable[[Life, Event], tuple[str, str] | None]] = {
    "ended": _no_end,
    "answered": _no_answer,
    "component-added": _no_component,
    "component-removed": _no_component,
    "exercise": _no_exercise,
    "adjusted": _no_change,
    "remoulded": _no_change,
}
