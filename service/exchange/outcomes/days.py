"""Days of a release, counted from the first visit of each patient, whichever way the release tells them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from service.exchange.outcomes.source import Row, Source


@dataclass(frozen=True, slots=True)
class Days:
    """The first day of each patient whose dates are told (profile L); others have days already."""

    first: Mapping[str, int]

    def of(self, row: Row) -> int | None:
        """The day of a row; None where it is not known."""
        return row["study_day"] if row["study_day"] is not None else self.on(row["patient"], row["taken"])

    def on(self, patient: str, written: str | None) -> int | None:
        """The day of a moment as it is written; None where that is less than a day, or nothing."""
        if patient not in self.first or not written or len(written) < len("2026-03-02"):
            return None
        return date.fromisoformat(written[:10]).toordinal() - self.first[patient]


def days_of(source: Source) -> Days:
    """The first days by the visits of a release."""
    first: dict[str, int] = {}
    for row in source.rows("visits"):
        if row["study_day"] is None and row["taken"] and len(row["taken"]) >= len("2026-03-02"):
            day = date.fromisoformat(row["taken"][:10]).toordinal()
            first[row["patient"]] = min(day, first.get(row["patient"], day))
    return Days(first)
