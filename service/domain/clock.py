"""Times as people write them, made exact: every instant carries its offset, or is a day and says so."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo, available_timezones

from service.errors import Invalid, Issue

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_TIME = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:\d{2})?")
_FORM = "a day such as 2026-03-02, or a time such as 2026-03-02T09:30+01:00"


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant with its offset; or, with `day_only`, a day, kept as midnight UTC."""

    at: datetime
    day_only: bool = False


def zone_of(name: str) -> ZoneInfo:
    """The IANA time zone of this name."""
    if name not in available_timezones():
        message = f"'{name}' is not a time zone."
        raise Invalid(Issue("value", message, "zone", name, "iana-zone", "an IANA name such as Europe/Vienna"))
    return ZoneInfo(name)


def moment(text: str, zone: ZoneInfo | None, where: str = "when") -> Moment:
    """The moment a text names.

    A time without an offset is read in `zone`, and refused where there is none, where it does not exist there
    (clocks went forward) or exists twice (clocks went back; both readings are named).
    """
    stripped = text.strip()
    try:
        if _DAY.fullmatch(stripped):
            return Moment(datetime.combine(date.fromisoformat(stripped), datetime.min.time(), UTC), day_only=True)
        if not _TIME.fullmatch(stripped):
            raise ValueError(stripped)
        local = datetime.fromisoformat(stripped)
    except ValueError:
        message = f"'{text}' is not a date or time."
        raise Invalid(Issue("value", message, where, text, "date-time", _FORM)) from None
    return Moment(local if local.tzinfo else _placed(local, zone, where))


def _placed(local: datetime, zone: ZoneInfo | None, where: str) -> datetime:
    text = local.isoformat(sep=" ", timespec="minutes")
    if zone is None:
        message = "The time names no zone, and neither the file nor the clinic's setting does."
        raise Invalid(Issue("required", message, where, text, "time-zone", f"an offset, as in {text}+01:00, or a zone"))
    first, second = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return datetime.fromisoformat(first.isoformat())
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != local:
        message = f"This time does not exist in {zone.key}: clocks went forward across it."
        expected = f"{_shift(second)} or {_shift(first)}, whichever was meant"
        raise Invalid(Issue("value", message, where, text, "local-time-gap", expected))
    message = f"This time exists twice in {zone.key}: clocks went back across it."
    expected = f"{first.isoformat()} or {second.isoformat()}, whichever was meant"
    raise Invalid(Issue("value", message, where, text, "local-time-twice", expected))


def _shift(unreal: datetime) -> str:
    zone = unreal.tzinfo
    return unreal.astimezone(UTC).astimezone(zone).isoformat()
