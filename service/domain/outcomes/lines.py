"""Lines of readings of many patients, who they are of, and how many drop out where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

NOTE = (
    "Observational: it says how recorded hands went, and makes no causal claim. Who was given an orthosis, which, and "
    "who came back to be measured was not left to chance. Digits of one hand, and hands of one person, go alike: "
    "intervals are over patients, not over digits."
)


@dataclass(frozen=True, slots=True)
class Line:
    """One measure at one place of one hand under one set of conditions.

    `points` are day and value, in order, one a day; days count from the patient's first visit in the release. `digit`
    is empty where the place is not of a digit.
    """

    patient: str
    side: str
    digit: str
    part: str
    conditions: str
    points: tuple[tuple[int, float], ...]


class Owned(Protocol):
    """What is of a digit or a hand of a patient."""

    @property
    def patient(self) -> str:
        """Name in the study."""

    @property
    def side(self) -> str:
        """Left or right."""

    @property
    def digit(self) -> str:
        """The digit, or empty."""


Of = TypeVar("Of", bound=Owned)


@dataclass(frozen=True, slots=True)
class Counts:
    """How many patients, hands and digits. A hand measured as a whole counts no digit."""

    patients: int
    hands: int
    digits: int

    def less(self, other: Counts) -> Counts:
        """How many fewer the other is."""
        return Counts(self.patients - other.patients, self.hands - other.hands, self.digits - other.digits)


def counts_of(found: Sequence[Owned]) -> Counts:
    """The patients, hands and digits that these are of."""
    return Counts(
        len({each.patient for each in found}),
        len({(each.patient, each.side) for each in found}),
        len({(each.patient, each.side, each.digit) for each in found if each.digit}),
    )


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a question: why some were left out, how many that took away whole, and how many remain."""

    what: str
    left_out: Counts
    remaining: Counts


@dataclass(slots=True)
class Way:
    """The way from the lines of a release to those that an answer rests on."""

    steps: list[Step] = field(default_factory=list)

    def keep(self, found: Sequence[Of], why_not: str, fits: Callable[[Of], bool]) -> list[Of]:
        """Those that fit; the others are counted under `why_not`."""
        kept = [each for each in found if fits(each)]
        before, after = counts_of(found), counts_of(kept)
        self.steps.append(Step(why_not, before.less(after), after))
        return kept


def one_of_each_place(lines: Sequence[Line]) -> list[Line]:
    """Of several lines of one place under different conditions, that with most visits; of equals, the first by name."""
    best: dict[tuple[str, str, str], Line] = {}
    for line in sorted(lines, key=lambda each: (-len(each.points), each.conditions)):
        best.setdefault((line.patient, line.side, line.part), line)
    return sorted(best.values(), key=lambda each: (each.patient, each.side, each.part))
