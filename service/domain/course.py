"""A course of therapy: which side is treated, and whether the other may serve as its reference."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from service.domain.anatomy import Side


@dataclass(frozen=True, slots=True)
class Course:
    """One patient's course of therapy.

    `affected` are the sides under treatment. `reference` is the side that a clinician marked as fit to be compared
    with, or empty: hands are not always a pair of twins. `dominant` is empty where it was not recorded.
    """

    patient: str
    since: date
    affected: tuple[Side, ...]
    reference: Side | None = None
    dominant: Side | None = None
    reason: str = ""
    id: str = ""
