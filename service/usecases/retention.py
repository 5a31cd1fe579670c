"""What is past its retention period. Nothing goes by itself: this lists, and people decide."""

from __future__ import annotations

from calendar import isleap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from service.domain.actor import Actor
from service.errors import Issue, Misconfigured
from service.fhir.definitions import SERVED_TYPES
from service.storage.ages import Age
from service.storage.records import Reader
from service.usecases.doors import enter_duty

OTHERS = "*"


@dataclass(frozen=True, slots=True)
class Past:
    """One patient with resources past their period: how many of each type, and since when the last of them is.

    `whole` says that nothing of the patient is within its period. `held` says that a legal hold is on the record.
    """

    patient: str
    last_seen: date
    past: Mapping[str, int]
    since: date
    whole: bool
    held: bool


def past_retention(reader: Reader, actor: Actor, years: Mapping[str, int], today: date) -> list[Past]:
    """Every patient with something past its period, longest first.

    `years` is how long each type is kept after the patient was last seen; `*` is for all others; a type without either
    has no period. Raises `Misconfigured` for a type that is not kept here, `Forbidden`.
    """
    with enter_duty(actor, "retention"):
        unknown = sorted(set(years) - {OTHERS, *SERVED_TYPES})
        if unknown:
            message = "A retention period is set for a type that this record does not keep."
            raise Misconfigured(Issue("value", message, "HANDRECORD_RETENTION_YEARS", ", ".join(unknown)))
        held = {hold.patient for hold in reader.keeping.holds()}
        found = (one for age in reader.ages() for one in _past(age, years, today, age.patient in held))
        return sorted(found, key=lambda one: (one.since, one.patient))


def _past(age: Age, years: Mapping[str, int], today: date, held: bool) -> Iterator[Past]:
    ends = {
        kind: later(age.last, years[kind] if kind in years else years[OTHERS])
        for kind in age.kept
        if kind in years or OTHERS in years
    }
    past = {kind: number for kind, number in age.kept.items() if kind in ends and ends[kind] < today}
    if past:
        since = max(ends[kind] for kind in past)
        yield Past(age.patient, age.last, past, since, len(past) == len(age.kept), held)


def later(day: date, years: int) -> date:
    """The same day so many years later; 1 March for 29 February where there is none, the last day of all at most."""
    if day.year + years > date.max.year:
        return date.max
    if (day.month, day.day) == (2, 29) and not isleap(day.year + years):
        return date(day.year + years, 3, 1)
    return day.replace(year=day.year + years)
