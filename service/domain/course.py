"""A course of therapy: which side is treated, what happened to it and when, and who asked for the therapy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date

from service.domain.anatomy import DIGITS, Side, Site
from service.domain.terms import Term, terms
from service.errors import Invalid, Issue


@dataclass(frozen=True, slots=True)
class Course:
    """One patient's course of therapy.

    `affected` are the sides under treatment. `reference` is the side that a clinician marked as fit to be compared
    with, or empty: hands are not always a pair of twins. `dominant` is empty where it was not recorded. `until` is the
    last day of a course that ended. The end of a course ends no precaution: each has an end of its own.
    """

    patient: str
    since: date
    affected: tuple[Side, ...]
    reference: Side | None = None
    dominant: Side | None = None
    reason: str = ""
    id: str = ""
    until: date | None = None


def require_lawful_course(course: Course) -> None:
    """Raises `Invalid` for a course that ends before it begins."""
    if course.until and course.until < course.since:
        message = "The course ends before it begins."
        until, expected = course.until.isoformat(), f"{course.since.isoformat()} or later"
        raise Invalid(Issue("value", message, "until", until, "order-of-days", expected))


ZONES: dict[str, Term] = terms(
    *(Term(f"flexor-{n}", f"flexor zone {n} of the fingers") for n in range(1, 6)),
    *(Term(f"flexor-thumb-{n}", f"flexor zone {n} of the thumb") for n in range(1, 4)),
    *(Term(f"extensor-{n}", f"extensor zone {n} of the fingers") for n in range(1, 9)),
    *(Term(f"extensor-thumb-{n}", f"extensor zone {n} of the thumb") for n in range(1, 6)),
)
"""Zones of tendon injury, counted from the finger tip upwards: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Injury:
    """What happened to one side, or the illness that is treated. `on` is None where the day is not known."""

    what: str
    side: Side
    on: date | None = None
    mechanism: str = ""
    digits: tuple[str, ...] = ()
    zone: str = ""
    id: str = ""


@dataclass(frozen=True, slots=True)
class Operation:
    """What was repaired, by whom, and for a nerve at which level; `structures` are the surgeon's words."""

    what: str
    side: Side
    on: date
    structures: tuple[str, ...] = ()
    digits: tuple[str, ...] = ()
    by: str = ""
    nerve_level: str = ""
    id: str = ""


REFERRAL_ITEMS: dict[str, str] = {
    "diagnosis": "what is to be treated",
    "zone": "the zone of the injury",
    "structures": "the structures that were injured",
    "repair": "how they were repaired",
    "injury-date": "the day of the injury",
    "operation-date": "the day of the operation",
    "precautions": "what is not allowed, and until when",
}
"""What a referral after an injury of the hand should tell: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Referral:
    """A request for therapy. `tells` holds what it says, in its own words, by item of `REFERRAL_ITEMS`."""

    on: date
    by: str
    tells: Mapping[str, str] = field(default_factory=dict)
    not_applicable: tuple[str, ...] = ()
    id: str = ""

    @property
    def leaves_out(self) -> dict[str, str]:
        """What a referral should tell and this one does not; what does not apply to it is not missing."""
        return {
            item: words
            for item, words in REFERRAL_ITEMS.items()
            if not self.tells.get(item) and item not in self.not_applicable
        }


@dataclass(frozen=True, slots=True)
class Elapsed:
    """How many days lie between an injury or an operation and a day of measuring."""

    since: str
    what: str
    site: Site
    on: date
    days: int


def elapsed(injuries: Iterable[Injury], operations: Iterable[Operation], day: date) -> tuple[Elapsed, ...]:
    """Time since each injury and each operation up to `day`; what lies after it is left out."""
    events = [("injury", i.what, Site(i.side, "hand"), i.on) for i in injuries]
    events += [("operation", o.what, Site(o.side, "hand"), o.on) for o in operations]
    found = [Elapsed(since, what, site, on, (day - on).days) for since, what, site, on in events if on and on <= day]
    return tuple(sorted(found, key=lambda each: (each.on, each.since)))


def require_lawful_injury(injury: Injury) -> None:
    """Raises `Invalid` for a digit or a zone that is none, and for a zone of the thumb without the thumb."""
    issues = [*_unnamed(injury.what), *_digits(injury.digits)]
    if injury.zone and injury.zone not in ZONES:
        expected = "one of " + ", ".join(ZONES)
        issues.append(Issue("value", f"'{injury.zone}' is not a zone.", "zone", injury.zone, "known-zone", expected))
    elif injury.zone and injury.digits and not _zone_fits(injury):
        message = "The zone is not one of the digits named."
        issues.append(Issue("value", message, "zone", injury.zone, "zone-of-digit", "a zone of these digits"))
    if issues:
        raise Invalid(*issues)


def _zone_fits(injury: Injury) -> bool:
    of_thumb = "-thumb-" in injury.zone
    return any((digit == "thumb") == of_thumb for digit in injury.digits)


def require_lawful_operation(operation: Operation) -> None:
    """Raises `Invalid` for an operation without a name, or on a digit that is none."""
    issues = [*_unnamed(operation.what), *_digits(operation.digits)]
    if issues:
        raise Invalid(*issues)


def require_lawful_referral(referral: Referral) -> None:
    """Raises `Invalid` for an item that a referral does not have."""
    expected = "one of " + ", ".join(REFERRAL_ITEMS)
    issues = [
        Issue("value", f"'{item}' is not an item of a referral.", "tells", item, "referral-item", expected)
        for item in (*referral.tells, *referral.not_applicable)
        if item not in REFERRAL_ITEMS
    ]
    if issues:
        raise Invalid(*issues)


def _unnamed(what: str) -> Iterator[Issue]:
    if not what.strip():
        yield Issue("required", "It must be said what it was.", "what", "", "named", "a name or a description")


def _digits(digits: Iterable[str]) -> Iterator[Issue]:
    for digit in digits:
        if digit not in DIGITS:
            expected = "one of " + ", ".join(DIGITS)
            yield Issue("value", f"'{digit}' is not a digit.", "digits", digit, "known-digit", expected)
