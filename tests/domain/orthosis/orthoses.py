"""Invented orthoses that the tests of this folder share."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any

from service.domain.orthosis.design import Design, Held
from service.domain.orthosis.episode import Episode, Event
from service.domain.orthosis.regimens import Regimen

CAST = Design(
    "right",
    form="cast",
    digits=("ring",),
    holds=(Held("ring-pip", "flexion", Decimal(40)),),
    direction="extension",
    purpose="mobilise",
    removable="no",
)


def at(day: int, hour: int = 9, month: int = 3) -> datetime:
    """A time in March 2026."""
    return datetime(2026, month, day, hour, tzinfo=UTC)


def on(day: int, month: int = 3) -> datetime:
    """A day in March 2026, as events of which only the day is known carry it."""
    return datetime.combine(date(2026, month, day), time.min, UTC)


def event(kind: str, day: int, **details: Any) -> Event:
    """An event of which the day is known."""
    return Event(kind, on(day), day_only=True, **details)


def worn(day: int, wearing: str = "continuous", hours: int | None = None) -> Event:
    """The beginning of a regimen."""
    return event("worn", day, regimen=Regimen(wearing, None if hours is None else Decimal(hours)))


def episode(*events: Event, design: Design = CAST, name: str = "cast 1", **more: Any) -> Episode:
    """An episode decided on the first of March."""
    key = ("https://clinic.example/orthosis", name)
    return Episode(key, "Patient/1", date(2026, 3, 1), design, name=name, **more).with_events(events)
