"""The short form of an episode: an orthosis that is, or was, worn under one regimen, as another record tells it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from decimal import Decimal

from service.domain.anatomy import PARTS, Side
from service.domain.orthosis.design import Design, Held
from service.domain.orthosis.episode import Episode, Event
from service.domain.orthosis.history import life_of
from service.domain.orthosis.regimens import Regimen
from service.errors import Invalid, Issue


@dataclass(frozen=True, slots=True)
class OrthosisEpisode:
    """One orthosis on one side, worn under one regimen.

    `holds` gives the joints held, by part key, with the degrees of flexion at which each is set (None where the
    angle was not recorded). `key` identifies the episode where it came from.
    """

    patient: str
    key: tuple[str, str]
    name: str
    side: Side
    holds: Mapping[str, Decimal | None] = field(default_factory=dict)
    wearing: str = "continuous"
    hours: Decimal | None = None
    removable: str = "unknown"
    material: str = ""
    since: date = date.min
    until: date | None = None


def episode_of(stated: OrthosisEpisode) -> Episode:
    """The episode a statement tells: taken over and worn from its first day on, and over on its last.

    Raises `Invalid` with everything about it that cannot be.
    """
    if stated.until and stated.until < stated.since:
        message = "The episode ends before it begins."
        raise Invalid(Issue("value", message, "until", stated.until.isoformat(), "order-of-days"))
    since = _day(stated.since)
    regimen = Regimen(stated.wearing, stated.hours)
    told = [Event("taken-over", since, day_only=True), Event("worn", since, day_only=True, regimen=regimen)]
    if stated.until:
        told.append(Event("ended", _day(stated.until), day_only=True, reason="unknown"))
    digits = tuple(dict.fromkeys(PARTS[part].digit for part in stated.holds if part in PARTS and PARTS[part].digit))
    design = Design(
        side=stated.side,
        digits=digits,
        holds=tuple(Held(part, "flexion", angle) for part, angle in stated.holds.items()),
        removable=stated.removable,
        material=stated.material,
    )
    made = Episode(stated.key, stated.patient, stated.since, design, name=stated.name).with_events(told)
    life_of(made)
    return made


def _day(day: date) -> datetime:
    return datetime.combine(day, time.min, UTC)
