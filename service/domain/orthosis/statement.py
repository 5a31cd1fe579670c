"""An orthosis worn: the made object, and the regimen under which it is worn from a day on.

The smallest true form: enough for a reading taken in an orthosis to say which one. States, events and doses are not
here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from service.domain.anatomy import PARTS, Side
from service.errors import Invalid, Issue

WEARING: dict[str, str] = {
    "continuous": "day and night",
    "hours-a-day": "a number of hours a day",
    "night": "at night",
    "activity": "during named activities",
}
REMOVABLE: dict[str, str] = {
    "yes": "the patient can take it off",
    "loosen-only": "the patient can loosen straps only",
    "no": "only the clinic can take it off",
    "unknown": "not recorded",
}


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


def require_lawful(episode: OrthosisEpisode) -> None:
    """Raises `Invalid` with everything about the episode that cannot be."""
    issues = [
        Issue("value", f"'{part}' is not a joint.", f"holds.{part}", part, "joint-held", "a joint such as ring-pip")
        for part in episode.holds
        if part not in PARTS or PARTS[part].kind != "joint"
    ]
    issues += _choice("wearing", episode.wearing, WEARING) + _choice("removable", episode.removable, REMOVABLE)
    if (episode.wearing == "hours-a-day") != (episode.hours is not None):
        message = "Hours belong to wearing 'hours-a-day', and to no other."
        issues.append(Issue("value", message, "hours", str(episode.hours or ""), "wear-hours"))
    if episode.hours is not None and not 0 < episode.hours <= 24:
        issues.append(
            Issue("value", "A day has 24 hours.", "hours", str(episode.hours), "wear-hours", "above 0, up to 24")
        )
    if episode.until and episode.until < episode.since:
        message = "The episode ends before it begins."
        issues.append(Issue("value", message, "until", episode.until.isoformat(), "order-of-days"))
    if issues:
        raise Invalid(*issues)


def _choice(where: str, given: str, allowed: Mapping[str, str]) -> list[Issue]:
    if given in allowed:
        return []
    expected = "one of " + ", ".join(allowed)
    return [Issue("value", f"'{given}' is not a way of {where}.", where, given, "known-answer", expected)]
