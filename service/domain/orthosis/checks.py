"""What the orthoses of one person may and may not do together, judged by days.

Lawful: day and night pairs, several finger casts at once, an orthosis over a cast, a cast after a removable one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import combinations

from service.domain.anatomy import Site
from service.domain.orthosis.design import Design
from service.domain.orthosis.episode import Episode
from service.domain.orthosis.history import life_of
from service.domain.orthosis.life import Life, Span
from service.domain.orthosis.regimens import DAY
from service.errors import Conflict, Issue


@dataclass(frozen=True, slots=True)
class _Wearing:
    episode: Episode
    life: Life
    span: Span

    def design(self, day: date) -> Design:
        return self.life.design_on(day, self.episode.design)

    @property
    def name(self) -> str:
        return self.episode.name or "|".join(self.episode.key)


def require_together(episodes: Iterable[Episode]) -> None:
    """Raises `Conflict` where the orthoses of one person cannot have been worn together.

    Two that the patient cannot take off never hold the same joint on the same day; what is prescribed for one joint
    never comes to more than 24 hours a day. What is worn over another one takes none of its hours.
    """
    alive = [(episode, life_of(episode)) for episode in episodes]
    worn = [_Wearing(e, life, s) for e, life in alive if life.state != "entered-in-error" for s in life.spans]
    issues = set(_both_fixed(worn)) | set(_too_many_hours(worn))
    if issues:
        raise Conflict(*sorted(issues, key=lambda issue: issue.message))


def _days(worn: Sequence[_Wearing]) -> set[date]:
    """Every day on which anything changes: between two of them nothing does."""
    return {w.span.since.day for w in worn} | {event.day for w in worn for event, _ in w.life.changes}


def _both_fixed(worn: Sequence[_Wearing]) -> Iterator[Issue]:
    for one, other in combinations(worn, 2):
        if one.episode.key == other.episode.key or one.episode.design.side != other.episode.design.side:
            continue
        for day in sorted(_days((one, other))):
            if not (one.span.covers(day) and other.span.covers(day)):
                continue
            first, second = one.design(day), other.design(day)
            shared = sorted(first.joints & second.joints)
            if shared and first.stays_on and second.stays_on:
                where = Site(first.side, shared[0]).name
                message = (
                    f"'{one.name}' and '{other.name}' both hold the {where} on {day.isoformat()}, and the patient can"
                    " take off neither."
                )
                yield Issue("business-rule", message, rule="two-not-removable", expected="one ends before the other")
                break


def _too_many_hours(worn: Sequence[_Wearing]) -> Iterator[Issue]:
    for day in sorted(_days(worn)):
        today = [w for w in worn if w.span.covers(day)]
        sites = {Site(w.episode.design.side, joint) for w in today for joint in w.design(day).joints}
        for site in sorted(sites, key=lambda s: s.code):
            holding = [w for w in today if w.episode.design.side == site.side and site.key in w.design(day).joints]
            under = [w for w in holding if not _is_over(w, holding)]
            if len(under) > 1 and _exceeds(under):
                names = ", ".join(f"'{w.name}' ({w.span.regimen.words})" for w in under)
                message = f"More than 24 hours a day are prescribed for the {site.name} on {day.isoformat()}: {names}."
                yield Issue("business-rule", message, rule="day-of-24-hours", expected="24 hours in all")


def _is_over(wearing: _Wearing, others: Sequence[_Wearing]) -> bool:
    over = wearing.episode.design.over
    return bool(over) and any(over == other.episode.key[1] for other in others)


def _exceeds(worn: Sequence[_Wearing]) -> bool:
    """Whether regimens sum to more than a day. One without a number takes some time, so none of it may be left."""
    known = [hours for w in worn if (hours := w.span.regimen.prescribed) is not None]
    total = sum(known, Decimal(0))
    return total > DAY or (total == DAY and len(known) < len(worn))
