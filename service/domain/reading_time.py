"""When a reading can have been taken."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from service.domain.measurement import Circumstances, Finding
from service.errors import Issue

EARLIEST = date(1900, 1, 1)
"""Nobody measured a living patient's hand before this day: a project rule, wide enough for any record taken over."""


def check_time(around: Circumstances, now: datetime, born: date | None = None) -> list[Finding]:
    """Refuses a reading of the future, of before its patient was born, and of before any patient could have been."""
    day = around.taken.date()
    latest = (now + timedelta(hours=14)).date() if around.day_only else None
    if (latest and day > latest) or (latest is None and around.taken > now):
        message, expected = "A reading cannot be of the future.", "a time that has passed"
    elif born and day < born:
        message, expected = "The reading is of before its patient was born.", f"a day from {born.isoformat()} on"
    elif day < EARLIEST:
        message, expected = "The reading is of before any patient was born.", f"a day from {EARLIEST.isoformat()} on"
    else:
        return []
    shown = day.isoformat() if around.day_only else around.taken.isoformat()
    return [Finding("refuse", Issue("value", message, "at", shown, "time-of-reading", expected))]
