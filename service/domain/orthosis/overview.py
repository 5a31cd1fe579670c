"""What a clinician asks of the orthoses of a patient: how long each was worn, when changed, what is due and why."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

from service.domain.orthosis.episode import Episode
from service.domain.orthosis.life import Life
from service.errors import Invalid, Issue

Each = tuple[Episode, Life]

LIMITS: dict[str, str] = {
    "days-without-check": "days worn without a check of skin and circulation",
    "days-under-one-regimen": "days under one regimen",
    "days-in-one-cast": "days in one orthosis that the patient cannot take off",
    "days-without-review": "days without any event that a clinician recorded",
    "days-on-hold": "days on hold",
    "days-until-fitting": "days from the decision without being fitted",
}
"""The limits a clinic may set, in days. There are none until it does: the record prescribes no interval."""


@dataclass(frozen=True, slots=True)
class Due:
    """Something that has passed a limit the clinic set."""

    limit: str
    words: str
    since: date
    days: int
    allowed: int


@dataclass(frozen=True, slots=True)
class Change:
    """From one of a series to the next: how many days the one before was worn, and why it was changed."""

    series: str
    number: int
    days: int | None
    reason: str


def require_known(limits: Mapping[str, int]) -> None:
    """Raises `Invalid` for a limit there is not, or one of no days."""
    expected = "one of " + ", ".join(LIMITS)
    issues = [
        Issue("value", "There is no such limit.", f"review.{name}", name, "known-limit", expected)
        for name in limits
        if name not in LIMITS
    ]
    issues += [
        Issue("value", "A limit is a number of days.", f"review.{name}", str(days), "days", "1 or more")
        for name, days in limits.items()
        if days < 1
    ]
    if issues:
        raise Invalid(*issues)


def days_worn(life: Life, today: date) -> int:
    """Days on which it was to be worn, the day of an end not counted, so that a change of casts counts no day twice."""
    return sum(max(((span.until.day if span.until else today) - span.since.day).days, 0) for span in life.spans)


def changes(told: Iterable[Each], today: date) -> list[Change]:
    """The change intervals within each series, in its order."""
    series: dict[str, list[Each]] = {}
    for episode, life in told:
        if episode.series and life.state != "entered-in-error":
            series.setdefault(episode.series.name, []).append((episode, life))
    return [change for name, members in series.items() for change in _changes(name, members, today)]


def _changes(name: str, members: Sequence[Each], today: date) -> Iterator[Change]:
    ordered = sorted(members, key=lambda each: each[0].series.number if each[0].series else 0)
    for (_, before), (episode, _) in pairwise(ordered):
        if episode.series:
            days = days_worn(before, today) if before.spans else None
            yield Change(name, episode.series.number, days, episode.series.reason)


def due(episode: Episode, life: Life, limits: Mapping[str, int], today: date) -> list[Due]:
    """What has passed the clinic's limits. Nothing is due where no limit was set."""
    found = []
    for name, since in _since(episode, life).items():
        allowed = limits.get(name)
        if since is not None and allowed is not None and (today - since).days > allowed:
            found.append(Due(name, LIMITS[name], since, (today - since).days, allowed))
    return found


def _since(episode: Episode, life: Life) -> dict[str, date | None]:
    """The day from which each limit counts, None where it does not apply now."""
    worn = life.worn
    begun = worn.since.day if worn else None
    checked, held = life.since("checked"), life.since("held")
    last = life.events[-1].day if life.events else None
    alive = life.state in ("planned", "ready", "worn", "on-hold")
    return {
        "days-without-check": max(begun, checked.day) if begun and checked else begun,
        "days-under-one-regimen": begun,
        "days-in-one-cast": _unbroken(life) if worn and life.design.stays_on else None,
        "days-without-review": (last or episode.decided) if alive else None,
        "days-on-hold": held.day if held and life.state == "on-hold" else None,
        "days-until-fitting": episode.decided if alive and not life.fitted else None,
    }


def _unbroken(life: Life) -> date | None:
    """Since when it has been worn without a break, whatever the regimen."""
    since = None
    for span in reversed(life.spans):
        if since is not None and (span.until is None or span.until.kind != "worn"):
            break
        since = span.since.day
    return since
