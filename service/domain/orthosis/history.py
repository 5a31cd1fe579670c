"""From the events of an episode to its life: the state machine, replayed from the beginning each time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from service.domain.orthosis.design import Design, Held, require_sound
from service.domain.orthosis.episode import ACTS, Episode, Event, in_order
from service.domain.orthosis.lawful import as_it_stands, begun, require_lawful
from service.domain.orthosis.life import Life, Span
from service.errors import Invalid, Issue


def life_of(episode: Episode, now: datetime | None = None) -> Life:
    """What the events of an episode come to.

    Raises `Invalid` for an event that cannot be as it stands, and `Conflict` for one that cannot have happened then,
    with the rule and the state. With `now`, an event after it is refused.
    """
    require_sound(episode.design)
    issues = [issue for event in episode.events for issue in as_it_stands(event, now)]
    issues += _days_and_numbers(episode, now)
    if issues:
        raise Invalid(*issues)
    life = Life("planned", episode.design)
    for event in in_order(episode.events):
        require_lawful(episode, life, event)
        life = _after(life, event)
    return life


def _days_and_numbers(episode: Episode, now: datetime | None) -> Iterator[Issue]:
    if now is not None and begun(now) < episode.decided:
        message = "The decision lies ahead."
        yield Issue("value", message, "decided", episode.decided.isoformat(), "not-in-the-future", "today or earlier")
    if episode.planned and episode.planned < episode.decided:
        message = "The day it is planned for is before the day it was decided on."
        yield Issue("value", message, "planned", episode.planned.isoformat(), "order-of-days")
    if episode.series and episode.series.number < 1:
        message = "The first of a series is number 1."
        yield Issue("value", message, "series.number", str(episode.series.number), "series-number")
    places = Counter(event.place for event in episode.events)
    for place, times in places.items():
        if times > 1:
            message = "Two events of an episode have the same number."
            yield Issue("value", message, "event", str(place), "event-number", "the next number, or none")


def _after(life: Life, event: Event) -> Life:
    state = ACTS[event.kind].leads[life.state]
    spans = life.spans
    if life.state == "worn" and (state != "worn" or event.kind == "worn"):
        spans = (*spans[:-1], replace(spans[-1], until=event))
    design = _changed(life.design, event)
    if event.regimen:
        spans = (*spans, Span(event.regimen, event))
    return Life(
        state,
        design,
        fitted=life.fitted or event.kind in ("fitted", "taken-over"),
        spans=spans,
        ended=event if state == "ended" and event.kind == "ended" else (life.ended if state == "ended" else None),
        events=(*life.events, event),
        changes=life.changes if design == life.design else (*life.changes, (event, design)),
    )


def _changed(design: Design, event: Event) -> Design:
    if event.kind == "cut-in-halves":
        return replace(design, removable="yes")
    if event.holds:
        return replace(design, holds=_held_anew(design.holds, event.holds))
    if event.kind == "component-added" and event.component:
        return replace(design, components=(*design.components, event.component))
    if event.kind == "component-removed" and event.component:
        kept = tuple(c for c in design.components if c.name != event.component.name)
        return replace(design, components=kept)
    return design


def _held_anew(before: tuple[Held, ...], given: tuple[Held, ...]) -> tuple[Held, ...]:
    """Each joint named takes its new angles, and keeps its part in the purpose."""
    primary = {held.joint for held in before if held.primary}
    named = {held.joint for held in given}
    kept = tuple(held for held in before if held.joint not in named)
    return (*kept, *(replace(held, primary=held.joint in primary) for held in given))
