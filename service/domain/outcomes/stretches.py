"""Stretches of days under the same kind of orthoses, "none" among them, of one line.

The rules are those of the phases of one patient: what begins on a day concerns readings from the next day on, and an
orthosis that names no digit concerns the whole hand. Orthoses of the same facets that follow one another without a gap,
as casts of a series do, are one stretch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from service.domain.outcomes.lines import Line

Stage = Literal["none", "before", "orthosis", "after"]
STAGES: Mapping[Stage, str] = {
    "none": "no orthosis on record",
    "before": "before any orthosis",
    "orthosis": "while an orthosis was to be worn",
    "after": "without one, after an orthosis",
}


@dataclass(frozen=True, slots=True)
class Wearing:
    """One orthosis that was to be worn from a day up to, not including, another (None: no end is known).

    `digits` are those it names, none for the whole hand. `facets` are name and code, the way of wearing among them.
    """

    patient: str
    side: str
    digits: frozenset[str]
    since: int
    until: int | None
    facets: tuple[tuple[str, str], ...]

    def concerns(self, line: Line) -> bool:
        """Whether it is of the hand, and of the digit if it names any."""
        of_hand = (self.patient, self.side) == (line.patient, line.side)
        return of_hand and (not self.digits or not line.digit or line.digit in self.digits)

    def covers(self, day: int) -> bool:
        """Whether it was to be worn on a day."""
        return self.since <= day and (self.until is None or day < self.until)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a line: its stage, what was worn (facets of each orthosis), and its own readings.

    `start` is the last reading before it began, None where there is none.
    """

    patient: str
    side: str
    digit: str
    part: str
    number: int
    stage: Stage
    worn: tuple[tuple[tuple[str, str], ...], ...]
    since: int
    until: int | None
    start: tuple[int, float] | None
    points: tuple[tuple[int, float], ...]

    @property
    def facets(self) -> Mapping[str, str]:
        """The facets where one orthosis was worn; which of several did anything cannot be told."""
        return dict(self.worn[0]) if len(self.worn) == 1 else {}


def stretches_of(line: Line, wearings: Iterable[Wearing]) -> list[Stretch]:
    """The stretches of a line from its first reading to its last, those without a reading too."""
    own = [each for each in wearings if each.concerns(line)]
    first, last = line.points[0][0], line.points[-1][0]
    bounds = sorted({day for each in own for day in (each.since, each.until) if day is not None and day < last})
    opening = min([first, *bounds])
    found: list[Stretch] = []
    for day in sorted({opening, *bounds}):
        worn = tuple(sorted({each.facets for each in own if each.covers(day)}))
        if not found or worn != found[-1].worn:
            found.append(_opened(line, found, worn, day))
    if not any(each.worn for each in found):
        found = [replace(each, stage="none") for each in found]
    ends = [*(each.since for each in found[1:]), None]
    return [_filled(each, line, end, n == 0) for n, (each, end) in enumerate(zip(found, ends, strict=True))]


def _opened(line: Line, before: Sequence[Stretch], worn: tuple[tuple[tuple[str, str], ...], ...], day: int) -> Stretch:
    stage: Stage = "orthosis" if worn else "after" if any(each.worn for each in before) else "before"
    own = (line.patient, line.side, line.digit, line.part)
    return Stretch(*own, len(before) + 1, stage, worn, day, None, None, ())


def _filled(stretch: Stretch, line: Line, until: int | None, is_first: bool) -> Stretch:
    """With its readings: one of the day on which it begins belongs to the stretch before."""
    inside = [p for p in line.points if (is_first or p[0] > stretch.since) and (until is None or p[0] <= until)]
    earlier = [] if is_first else [p for p in line.points if p[0] <= stretch.since]
    return replace(stretch, until=until, start=earlier[-1] if earlier else None, points=tuple(inside))
