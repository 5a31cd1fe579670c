"""Which items of the published reporting checklist for interventions an episode has, and which it lacks.

TIDieR: Hoffmann and others, BMJ 2014;348:g1687, twelve items. The names of the items are theirs; what stands for each
in an episode is ours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from service.domain.orthosis.episode import Episode
from service.domain.orthosis.life import Life


@dataclass(frozen=True, slots=True)
class Item:
    """One item of the checklist: whether the episode has it, and what it would be recorded as."""

    number: int
    name: str
    has: bool
    recorded_as: str


_Test = Callable[[Episode, Life], bool]


def _did(*kinds: str) -> _Test:
    return lambda episode, life: any(event.kind in kinds for event in life.events)


def _every_fitting(name: str) -> _Test:
    def test(episode: Episode, life: Life) -> bool:
        fittings = [event for event in life.events if event.kind in ("fitted", "taken-over")]
        return bool(fittings) and all(getattr(event, name) for event in fittings)

    return test


_ITEMS: tuple[tuple[str, str, _Test], ...] = (
    ("brief name", "name, or what the design is enough to derive", lambda e, _: bool(e.name or e.design.holds)),
    ("why", "reason", lambda e, _: bool(e.reason)),
    ("what: materials", "design.material", lambda e, _: bool(e.design.material)),
    ("what: procedures", "an event made, fitted or taken-over, and the purpose of the design", lambda e, life: (
        e.design.purpose != "unknown" and _did("made", "fitted", "taken-over")(e, life)
    )),
    ("who provided", "who fitted it, with what expertise", lambda e, life: (
        _every_fitting("who")(e, life) and _every_fitting("expertise")(e, life)
    )),
    ("how", "an event fitted (in person) or reviewed (at a distance)", _did("fitted", "reviewed")),
    ("where", "where it was fitted", _every_fitting("where")),
    ("when and how much", "a regimen with a number of hours", lambda _, life: (
        any(span.regimen.prescribed is not None for span in life.spans)
    )),
    ("tailoring", "set angles of the joints held, or what was modified for the person", lambda e, _: (
        bool(e.design.modified) or any(held.angle is not None for held in e.design.holds)
    )),
    ("modifications", "adjusted, remoulded, or worn otherwise; or an end without any of it", lambda _, life: (
        life.state == "ended" or len(life.spans) > 1 or any(e.kind in ("adjusted", "remoulded") for e in life.events)
    )),
    ("how well: planned", "goal, or a review", lambda e, life: bool(e.goal) or _did("reviewed")(e, life)),
)  # fmt: skip


def completeness(episode: Episode, life: Life, *, hours_known: bool) -> tuple[Item, ...]:
    """Every item; `hours_known` says whether hours worn were reported or sensed."""
    found = [
        Item(number, name, test(episode, life), recorded_as)
        for number, (name, recorded_as, test) in enumerate(_ITEMS, 1)
    ]
    return (*found, Item(len(found) + 1, "how well: actual", hours_known, "hours worn, reported or sensed"))
