"""A table of means and standard deviations by sex, age and hand, and the refusal of everybody it does not hold for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from service.domain.measurement import Measurement
from service.domain.metric import Missing, Source

SEXES = ("female", "male")


@dataclass(frozen=True, slots=True)
class Row:
    """What one group of people has. `oldest` counts; `hand` is left, right, or empty for the stronger of both."""

    sex: str
    youngest: int
    oldest: int
    hand: str
    mean: Decimal
    sd: Decimal


@dataclass(frozen=True, slots=True)
class NormTable:
    """One published table.

    `kind` is the kind of measurement it is about, `unit` that of its numbers. `requires` names the answers that a
    reading must have to stand beside it: how the readings of the table were taken. `caveats` go with every result.
    """

    name: str
    kind: str
    title: str
    unit: str
    people: str
    rows: tuple[Row, ...]
    source: Source
    requires: Mapping[str, str] = field(default_factory=dict)
    caveats: tuple[str, ...] = ()

    def row_for(self, reading: Measurement, sex: str, born: date | None) -> Row | Missing:
        """The row that holds for this person's hand on the day of the reading, or why there is none."""
        if sex not in SEXES or born is None:
            what = "sex" if sex not in SEXES else "date of birth"
            return Missing(
                "person-unknown", f"The table needs the person's {what}, female or male apart, and has none."
            )
        otherwise = [
            f"{n.replace('_', ' ')} {reading.answer(n)}" for n in self.requires if not self._as_required(reading, n)
        ]
        if otherwise:
            needed = ", ".join(f"{n.replace('_', ' ')} {answer}" for n, answer in self.requires.items())
            return Missing("norm-other-conditions", f"The table holds for {needed}; here: {', '.join(otherwise)}.")
        age = age_on(born, reading.circumstances.taken.date())
        for row in self.rows:
            if row.sex == sex and row.youngest <= age <= row.oldest and row.hand in ("", reading.site.side):
                return row
        return Missing("outside-norm", f"The table has no {sex} people of {age} years for this hand: {self.people}.")

    def _as_required(self, reading: Measurement, name: str) -> bool:
        return reading.answer(name) == self.requires[name]


def age_on(born: date, day: date) -> int:
    """Whole years lived on that day."""
    return day.year - born.year - ((day.month, day.day) < (born.month, born.day))


def rows_of(text: str, hands: Iterable[str]) -> tuple[Row, ...]:
    """Rows from lines of: sex, first and last year of age, then mean and standard deviation for each of `hands`."""
    found: list[Row] = []
    for line in text.strip().splitlines():
        sex, youngest, oldest, *numbers = line.split()
        for place, hand in enumerate(hands):
            mean, sd = (Decimal(number) for number in numbers[2 * place : 2 * place + 2])
            found.append(Row(sex, int(youngest), int(oldest), hand, mean, sd))
    return tuple(found)
