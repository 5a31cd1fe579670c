"""Published measurement errors as data.

An error holds for the people, the raters, the method and the level it was published for, so all of them travel with
it. Where nothing is listed for a measure, no value fit for use was found in print: its error is "not published". The
error of a sum or a difference is never made from the errors of its parts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Literal

from service.domain.measurement import Quantity
from service.domain.units import UNITS, convert

NOT_PUBLISHED = "not published"


@dataclass(frozen=True, slots=True)
class PublishedError:
    """One published error of one measure.

    `statistic` is SEM (standard error of measurement) or MDC (minimal detectable change). `low` to `high` is the
    range printed, in `unit`; both are equal where one value is. `level` is the confidence of an MDC, empty for an SEM.
    `holds_for` names the conditions of a result that the study had, where they leave others out; `above` and `up_to`
    bound the values, in `unit`, that it was found for.
    """

    statistic: Literal["SEM", "MDC"]
    low: Decimal
    high: Decimal
    unit: str
    level: str
    population: str
    raters: str
    method: str
    source: str
    status: Literal["published", "from memory"] = "published"
    holds_for: Mapping[str, str] = field(default_factory=dict)
    above: Decimal | None = None
    up_to: Decimal | None = None

    def covers(self, value: Quantity | None) -> bool:
        """Whether it was found for values like this one; an error found for some values covers no unknown one."""
        if self.above is None and self.up_to is None:
            return True
        if value is None or UNITS[value.unit].dimension != UNITS[self.unit].dimension:
            return False
        number = convert(value.number, value.unit, self.unit)
        return (self.above is None or number > self.above) and (self.up_to is None or number <= self.up_to)


def _error(
    statistic: Literal["SEM", "MDC"], values: str, unit: str, study: tuple[str, str, str, str], **holds_for: str
) -> PublishedError:
    low, _, high = values.partition("-")
    level = "95%" if statistic == "MDC" else ""
    return PublishedError(statistic, Decimal(low), Decimal(high or low), unit, level, *study, holds_for=holds_for)


_TWO_DAYS = (
    "20 healthy volunteers",
    "the same test on two different days; range over the joints of fingers and wrist",
    "active range of motion, manual goniometer",
    "Reissner et al., J Orthop Surg Res 2019;14:173, PMC6558857",
)
_STUDENTS = (
    "12 healthy medical students, left ring finger held at set angles",
    "12 non-professional raters, within and between raters",
    "single joint angle, standard goniometer and diagram; range over both",
    "Macionis, BMC Musculoskelet Disord 2013;14:17",
)
_WEAK = (
    "patients with traumatic injuries of the upper limb (109 in the study), grip up to 20 kgf",
    "test and retest one weekend apart",
    "mean of three consecutive trials",
    "Bai et al., BMC Musculoskelet Disord 2019, doi 10.1186/s12891-019-2623-z",
)
_STRONGER = (_WEAK[0].replace("up to", "above"), *_WEAK[1:])
_HAND_INJURIES = (
    "patients with hand injuries",
    "test and retest",
    "grip dynamometry; the summary rule was not seen",
    "Schreuders et al., as cited by Bai et al. 2019, doi 10.1186/s12891-019-2623-z",
)

_LIMIT = Decimal(20)
"""The grip, in kgf, at which the patients of Bai et al. were parted."""


def _grip(statistic: Literal["SEM", "MDC"], weak: str, stronger: str) -> tuple[PublishedError, PublishedError]:
    below = _error(statistic, weak, "kgf", _WEAK, summary_rule="mean-of-trials")
    beyond = _error(statistic, stronger, "kgf", _STRONGER, summary_rule="mean-of-trials")
    return replace(below, up_to=_LIMIT), replace(beyond, above=_LIMIT)


ERRORS: dict[str, tuple[PublishedError, ...]] = {
    "joint-motion": (_error("SEM", "2.4-4.9", "deg", _STUDENTS),),
    "arc-of-motion": (
        _error("SEM", "4-11", "deg", _TWO_DAYS, mode="active", orthosis_state="free"),
        _error("MDC", "12-30", "deg", _TWO_DAYS, mode="active", orthosis_state="free"),
    ),
    "grip-summary": (
        *_grip("SEM", "1.8", "1.8"),
        *_grip("MDC", "4.9", "5.1"),
        _error("MDC", "61", "N", _HAND_INJURIES),
    ),
}
"""By name of the kind or metric. Kilograms printed for a dynamometer are read as the force they show, kgf."""

ELSEWHERE: Mapping[str, str] = {
    "grip-strength": "the error published is for the mean of three trials and stands with the grip summary",
}
"""By kind: where the error stands, when none is published for a single reading but one is for a metric of it."""


def errors_of(name: str, conditions: Mapping[str, str], value: Quantity | None = None) -> tuple[PublishedError, ...]:
    """The published errors of a kind or metric under these conditions and at this value; none where none fits."""
    return tuple(e for e in ERRORS.get(name, ()) if e.holds_for.items() <= conditions.items() and e.covers(value))
