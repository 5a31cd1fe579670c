"""How an orthosis is to be worn: prescribed, dated, and in any order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from service.domain.orthosis.design import choice
from service.errors import Issue

WEARING: dict[str, str] = {
    "continuous": "day and night",
    "hours-a-day": "a number of hours a day",
    "night": "at night",
    "activity": "during named activities",
    "weaning": "a step of weaning",
}
DAY = Decimal(24)


@dataclass(frozen=True, slots=True)
class Regimen:
    """How it is to be worn from a day on.

    `hours` a day belong to `hours-a-day`, and may be given for night, activity and weaning. `activity` names what
    it is worn for.
    """

    wearing: str = "continuous"
    hours: Decimal | None = None
    activity: str = ""

    @property
    def prescribed(self) -> Decimal | None:
        """Hours a day prescribed; None where no number was."""
        return DAY if self.wearing == "continuous" else self.hours

    @property
    def words(self) -> str:
        """In words: `8 hours a day`."""
        if self.hours is None:
            return f"{WEARING[self.wearing]}{f' ({self.activity})' if self.activity else ''}"
        if self.wearing == "hours-a-day":
            return f"{self.hours.normalize():f} hours a day"
        return f"{WEARING[self.wearing]}, {self.hours.normalize():f} hours a day"


def issues_of(regimen: Regimen) -> Iterator[Issue]:
    """Everything about a regimen that cannot be."""
    yield from choice("wearing", regimen.wearing, WEARING)
    hours = regimen.hours
    if regimen.wearing == "hours-a-day" and hours is None:
        yield Issue("required", "A number of hours a day needs its number.", "hours", "", "wear-hours", "hours")
    if regimen.wearing == "continuous" and hours is not None:
        yield Issue(
            "value", "Day and night is 24 hours; no other number goes with it.", "hours", str(hours), "wear-hours"
        )
    if hours is not None and not 0 < hours <= DAY:
        yield Issue("value", "A day has 24 hours.", "hours", str(hours), "wear-hours", "above 0, up to 24")
    if regimen.wearing == "activity" and not regimen.activity:
        yield Issue("required", "Name the activities it is worn for.", "activity", "", "named-activity", "in words")
