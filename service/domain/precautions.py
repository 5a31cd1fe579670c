"""Precautions: what is not allowed, until when, and who said so. They are the clinic's; none ships with the record.

A precaution never forbids writing down what was measured: it is shown with whatever touches its place, and a reading
of a kind that it names is asked about.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from service.domain.anatomy import Part, Site
from service.domain.arcs import ARCS, direction_of, directions
from service.domain.cautions import PRECAUTION_IN_FORCE, question
from service.domain.field import MODE, UNKNOWN
from service.domain.kinds import KINDS
from service.domain.measurement import Finding, Measurement
from service.errors import Invalid, Issue

MOTIONS = tuple(dict.fromkeys(d.name for joint in ARCS for d in directions(joint)))
"""Directions of motion that a precaution may name."""


@dataclass(frozen=True, slots=True)
class Precaution:
    """One precaution in force from `since` up to and including `until`, or until somebody ends it.

    `places` are the parts it is about. `kinds`, `motions` (directions) and `modes` name what is not allowed there;
    each one left empty stands for all, and with all three empty the precaution informs and asks about nothing.
    `ended_by` says who ended it, where somebody did.
    """

    what: str
    by: str
    since: date
    places: tuple[Site, ...]
    until: date | None = None
    kinds: tuple[str, ...] = ()
    motions: tuple[str, ...] = ()
    modes: tuple[str, ...] = ()
    ended_by: str = ""
    id: str = ""

    def in_force(self, day: date) -> bool:
        """Whether it holds on this day."""
        return self.since <= day and (self.until is None or day <= self.until)

    def touches(self, site: Site) -> bool:
        """Whether a site is one of its places, lies in one of them, or has one of them in it."""
        return any(place.side == site.side and _overlap(place.part, site.part) for place in self.places)

    def names(self, measurement: Measurement) -> bool:
        """Whether it names what this reading did at its place. A mode that was not recorded counts as named."""
        if not (self.kinds or self.motions or self.modes) or not self.touches(measurement.site):
            return False
        mode = measurement.answer("mode")
        return (
            (not self.kinds or measurement.kind in self.kinds)
            and (not self.motions or _direction(measurement) in self.motions)
            and (not self.modes or mode in (*self.modes, UNKNOWN))
        )


def _direction(measurement: Measurement) -> str:
    joint = measurement.site.part.joint
    found = direction_of(joint, measurement.answer("motion")) if joint else None
    return found.name if found else ""


_UP_THE_ARM = ("elbow", "shoulder", "upper-arm", "forearm-segment")


def _overlap(one: Part, other: Part) -> bool:
    if one.key == other.key:
        return True
    if "hand" in (one.key, other.key):
        return not {one.key, other.key} & set(_UP_THE_ARM)
    whole = next((part for part in (one, other) if part.kind == "digit"), None)
    return whole is not None and one.digit == other.digit


def touching(precautions: Iterable[Precaution], site: Site, day: date) -> tuple[Precaution, ...]:
    """The precautions in force on a day that touch a site."""
    return tuple(p for p in precautions if p.in_force(day) and p.touches(site))


def check_precautions(measurement: Measurement, precautions: Iterable[Precaution]) -> list[Finding]:
    """Asks about a reading that a precaution in force names: was it done, and did whoever said so allow it?"""
    day = measurement.circumstances.taken.date()
    found = []
    for precaution in precautions:
        if precaution.in_force(day) and precaution.names(measurement):
            until = f" until {precaution.until}" if precaution.until else ""
            message = f"A precaution is in force{until} for the {measurement.site.name}: {precaution.what}."
            expected = f"the reason why it was measured all the same, as agreed with {precaution.by}"
            found.append(question(PRECAUTION_IN_FORCE, message, "kind", measurement.kind, expected))
    return found


def require_lawful_precaution(precaution: Precaution) -> None:
    """Raises `Invalid` for a precaution that nobody said, that has no place, or that names what does not exist."""
    issues = []
    for where, given in (("what", precaution.what), ("by", precaution.by)):
        if not given.strip():
            message = "A precaution says what is not allowed, and who said so."
            issues.append(Issue("required", message, where, "", "precaution-stated", "a text"))
    if not precaution.places:
        message = "A precaution is about at least one part."
        issues.append(Issue("required", message, "places", "", "precaution-place", "a side and a site"))
    if precaution.until and precaution.until < precaution.since:
        message = "The precaution ends before it begins."
        issues.append(Issue("value", message, "until", precaution.until.isoformat(), "order-of-days"))
    able: Mapping[str, tuple[tuple[str, ...], Iterable[str]]] = {
        "kinds": (precaution.kinds, KINDS),
        "motions": (precaution.motions, MOTIONS),
        "modes": (precaution.modes, MODE.choices),
    }
    for where, (given_all, known) in able.items():
        names = tuple(known)
        issues += [
            Issue(
                "value", f"'{name}' is none of the {where}.", where, name, "known-answer", "one of " + ", ".join(names)
            )
            for name in given_all
            if name not in names
        ]
    if issues:
        raise Invalid(*issues)
