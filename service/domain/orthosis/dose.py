"""How long an orthosis was to be worn, is said to have been worn, and was sensed to be worn: three numbers, never one.

End range time is the time an orthosis is on while it holds a joint at the end of its available range. It is told only
where the design says so, with what that assumption rests on, and once for each of the three numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from service.domain.orthosis.episode import Episode
from service.domain.orthosis.lawful import begun
from service.domain.orthosis.life import Life
from service.domain.orthosis.regimens import DAY
from service.errors import Invalid, Issue

SOURCES: dict[str, str] = {
    "reported": "reported by the patient or a carer",
    "sensed": "sensed by a device in the orthosis",
}
REPORTERS: dict[str, str] = {
    "": "not recorded",
    "patient": "the patient",
    "carer": "somebody who looks after the patient",
}
"""Who reports hours; what a sensor is called is the clinic's own."""


@dataclass(frozen=True, slots=True)
class Wear:
    """Hours worn on one day, as reported or sensed; `uncertainty` in hours either way, where it is known.

    `by` is one of `REPORTERS`, or the name of the sensor.
    """

    day: date
    hours: Decimal
    source: str = "reported"
    by: str = ""
    uncertainty: Decimal | None = None
    id: str = ""


@dataclass(frozen=True, slots=True)
class Hours:
    """A number of hours over the days for which there is one. `missing` are the days without; missing is not zero.

    `uncertainty` is the sum of the days' own, an outer bound; None where one of them is not known.
    """

    hours: Decimal
    days: int
    missing: tuple[date, ...] = ()
    uncertainty: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Adherence:
    """One published definition of adherence applied to one source; `value` is None where it cannot be told."""

    definition: str
    title: str
    published: str
    source: str
    value: str | None
    because: str = ""


@dataclass(frozen=True, slots=True)
class Dose:
    """The dose of an orthosis over a stretch of days, the last one included."""

    first: date | None
    last: date | None
    prescribed: Hours | None
    worn: Mapping[str, Hours]
    end_range: Mapping[str, Decimal]
    end_range_rests_on: str
    adherence: tuple[Adherence, ...]


def require_sound(given: Sequence[Wear], life: Life, now: datetime) -> None:
    """Raises `Invalid` with everything about days of wear that cannot be, each at its place in the list.

    That is: hours that no day has, an unknown source or reporter, a day ahead or before it was first worn, and a day
    told twice by one source.
    """
    issues = [issue.at(f"days[{n}]") for n, wear in enumerate(given) for issue in _issues_of(wear, life, now)]
    first: dict[tuple[date, str], int] = {}
    for n, wear in enumerate(given):
        before = first.setdefault((wear.day, wear.source), n)
        if before != n:
            message = f"This day has a number of hours {wear.source} already, in days[{before}]."
            issues.append(Issue("value", message, f"days[{n}].day", wear.day.isoformat(), "day-told-once"))
    if issues:
        raise Invalid(*issues)


def _issues_of(wear: Wear, life: Life, now: datetime) -> list[Issue]:
    issues = []
    if wear.source not in SOURCES:
        expected = " or ".join(SOURCES)
        issues.append(Issue("value", "Hours are reported or sensed.", "source", wear.source, "wear-source", expected))
    if wear.source == "reported" and wear.by not in REPORTERS:
        expected = ", ".join(filter(None, REPORTERS)) + "; or left out"
        message = "Hours are reported by the patient or a carer."
        issues.append(Issue("value", message, "by", wear.by, "wear-reporter", expected))
    if not 0 <= wear.hours <= DAY:
        issues.append(Issue("value", "A day has 24 hours.", "hours", str(wear.hours), "wear-hours", "0 to 24"))
    if wear.uncertainty is not None and not 0 <= wear.uncertainty <= DAY:
        message = "An uncertainty is hours either way."
        issues.append(Issue("value", message, "uncertainty", str(wear.uncertainty), "wear-hours", "0 to 24"))
    first = min((span.since.day for span in life.spans), default=None)
    if first is None or wear.day < first:
        message = "It cannot have been worn before it was first to be worn."
        issues.append(Issue("value", message, "day", wear.day.isoformat(), "event-before-its-cause", str(first or "")))
    if wear.day > begun(now):
        issues.append(Issue("value", "That day lies ahead.", "day", wear.day.isoformat(), "not-in-the-future"))
    return issues


def prescribed_on(life: Life, day: date) -> Decimal | None:
    """Hours prescribed on a day: 0 where it was not to be worn, None where no number was prescribed."""
    span = next((span for span in life.spans if span.covers(day)), None)
    return span.regimen.prescribed if span else Decimal(0)


def dose_of(episode: Episode, life: Life, wear: Iterable[Wear], now: datetime) -> Dose:
    """The dose from the first day it was to be worn to today, or to the end."""
    days = [day for day in _days(life, now) if prescribed_on(life, day) != 0]
    given = list(wear)
    worn = {source: _hours(days, [w for w in given if w.source == source]) for source in SOURCES}
    known = {source: hours for source, hours in worn.items() if hours.days}
    prescribed = _prescribed(life, days, now)
    assumed = episode.design.end_range
    numbers = {**({"prescribed": prescribed} if prescribed else {}), **known}
    return Dose(
        first=days[0] if days else None,
        last=days[-1] if days else None,
        prescribed=prescribed,
        worn=known,
        end_range={name: hours.hours for name, hours in numbers.items()} if assumed else {},
        end_range_rests_on=assumed.assumption if assumed else "the design does not say that it holds the end of range",
        adherence=tuple(_adherence(life, days, given)),
    )


def _days(life: Life, now: datetime) -> list[date]:
    if not life.spans:
        return []
    first, end = min(span.since.day for span in life.spans), life.spans[-1].until
    last = end.day if end else now.date()
    return [first + timedelta(n) for n in range((last - first).days + 1)]


def _prescribed(life: Life, days: Sequence[date], now: datetime) -> Hours | None:
    """Day and night regimens to the hour where times are known; others by their hours on each of their days."""
    total, counted, missing = Decimal(0), 0, []
    for span in life.spans:
        own = [day for day in days if span.covers(day)]
        hours = span.regimen.prescribed
        if hours is None:
            missing += own
            continue
        total += span.hours(now) if span.regimen.wearing == "continuous" else hours * len(own)
        counted += len(own)
    return Hours(total, counted, tuple(missing)) if counted else None


def _hours(days: Sequence[date], wear: Sequence[Wear]) -> Hours:
    by_day = {w.day: w for w in wear}
    uncertainties = [w.uncertainty for w in by_day.values() if w.uncertainty is not None]
    return Hours(
        hours=sum((w.hours for w in by_day.values()), Decimal(0)),
        days=len(by_day),
        missing=tuple(day for day in days if day not in by_day),
        uncertainty=sum(uncertainties, Decimal(0)) if uncertainties and len(uncertainties) == len(by_day) else None,
    )


REVIEWED_IN = "table 4 of doi:10.1177/17589983241268069 (PMC11528615), which lists definitions in use"
"""Where the definitions were seen; each names the study it was used in."""


def _share(pairs: Sequence[tuple[Decimal, Decimal]]) -> Decimal | None:
    asked = sum((prescribed for prescribed, _ in pairs), Decimal(0))
    return 100 * sum((min(worn, prescribed) for prescribed, worn in pairs), Decimal(0)) / asked if asked else None


def _adherence(life: Life, days: Sequence[date], wear: Sequence[Wear]) -> Iterable[Adherence]:
    """Every definition for every source of hours, side by side; days without a number count for nothing."""
    for source in SOURCES:
        by_day = {w.day: w.hours for w in wear if w.source == source}
        pairs = [(p, by_day[d]) for d in days if d in by_day and (p := prescribed_on(life, d)) is not None]
        share = _share(pairs)
        told = f"{len(pairs)} of {len(days)} days have a number"
        for name, title, study, value in _DEFINITIONS:
            yield Adherence(name, title, f"{study}, in {REVIEWED_IN}", source, value(share) if share else None, told)
        yield _nights(life, days, by_day, source)


_DEFINITIONS: tuple[tuple[str, str, str, Callable[[Decimal], str]], ...] = (
    (
        "share-of-hours",
        "hours worn as a percentage of hours prescribed, more than prescribed not counted",
        "the number that the definitions below divide",
        lambda share: f"{round(share, 1)} %",
    ),
    (
        "80-percent",
        "high: 80 % of the prescribed hours or more; low: less",
        "Grubhofer 2019; Weir",
        lambda share: "high" if share >= 80 else "low",
    ),
    (
        "100-percent",
        "full: all of the prescribed time; else partial or none, which also asks whether the hand was used",
        "Savaş and Aydoğan 2022",
        lambda share: "full" if share >= 100 else "not full",
    ),
)
NIGHTS = 5


def _nights(life: Life, days: Sequence[date], by_day: Mapping[date, Decimal], source: str) -> Adherence:
    """Weeks are counted from the first day; only those with a number for every night can be judged."""
    weeks = [days[n : n + 7] for n in range(0, len(days) - 6, 7)]
    nightly = [w for w in weeks if all(_is_night(life, day) for day in w)]
    known = [w for w in nightly if all(day in by_day for day in w)]
    met = sum(sum(by_day[day] > 0 for day in week) > NIGHTS for week in known)
    value = f"{met} of {len(known)} weeks" if known else None
    told = f"{len(known)} of {len(nightly)} weeks of nights have a number for every night"
    title = "adherent: worn on more than 5 nights of a week"
    return Adherence("more-than-5-nights", title, f"Mortazavi, in {REVIEWED_IN}", source, value, told)


def _is_night(life: Life, day: date) -> bool:
    return any(span.covers(day) and span.regimen.wearing == "night" for span in life.spans)
