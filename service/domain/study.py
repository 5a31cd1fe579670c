"""A study: who may have which data of whose hands, for what, until when; and what keeps single persons out of sight.

Sources: that a class of persons with the same answers must not be small is k-anonymity (Sweeney, International Journal
on Uncertainty, Fuzziness and Knowledge-based Systems 2002;10:557-570; cited from memory). The threshold of 11 is common
practice for published health data, and is set per study.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

from service.errors import Conflict, Forbidden, Issue

DEFAULT_K = 11
SMALLEST_SHIFT = 26
"""Whole weeks that the dates of profile L move by, at least, either way."""
LARGEST_SHIFT = 104

ReleaseProfile = Literal["S", "L"]


@dataclass(frozen=True, slots=True)
class Study:
    """A study as an administrator opened it.

    `profile` is S (no dates) or L (limited set, dates moved), `agreement` names the data use agreement that L needs.
    `researchers` are the ids of the persons who may use it, `quasi` the names of what a person might be known by, `k`
    the size below which a class of those, and a count, is too small.
    """

    id: str
    title: str
    approval: str
    purpose: str
    consent_basis: str
    profile: ReleaseProfile
    agreement: str
    expires: date
    researchers: tuple[str, ...]
    quasi: tuple[str, ...]
    k: int
    opened_by: str
    opened_at: datetime
    closed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One step from the cohort to the release: how many patients left there, and how many are left."""

    what: str
    left_out: int
    remaining: int


@dataclass(frozen=True, slots=True)
class Classes:
    """How the patients of a release fall into classes of the same quasi-identifiers."""

    smallest: int
    below: int
    of: int


@dataclass(frozen=True, slots=True)
class Flow:
    """The patients of a cohort on their way into a release."""

    cohort: int
    steps: tuple[Step, ...] = field(default=())

    def then(self, what: str, left_out: int) -> Flow:
        """The flow with one more step."""
        before = self.steps[-1].remaining if self.steps else self.cohort
        return Flow(self.cohort, (*self.steps, Step(what, left_out, before - left_out)))


def require_open(study: Study, today: date) -> None:
    """Raise `Conflict` for a study that was closed or has expired: nothing more leaves for it."""
    if study.closed_at:
        raise Conflict(Issue("conflict", "The study was closed.", "study", study.id, "study-open"))
    if today > study.expires:
        message = "The study's permission has expired."
        raise Conflict(Issue("conflict", message, "study", study.expires.isoformat(), "study-open", "a new permission"))


def require_member(study: Study, person: str, *, officer: bool) -> None:
    """Raise `Forbidden` for whoever is neither an officer nor named as a researcher of the study."""
    if not officer and person not in study.researchers:
        raise Forbidden(Issue("forbidden", "This person is not named in the study.", "study", study.id, "study-member"))


def shown_count(count: int, k: int) -> int | None:
    """A count as it may be shown: None where it is above nothing and below `k`."""
    return None if 0 < count < k else count


def require_apart(count: int, earlier: Iterable[int], k: int) -> None:
    """Raise `Conflict` where this count and an earlier one, both shown, would tell of fewer than `k` by difference."""
    shown = [each for each in earlier if shown_count(each, k) is not None]
    if shown_count(count, k) is not None and any(0 < abs(count - before) < k for before in shown):
        message = f"Beside an earlier count of this study, this one would tell of fewer than {k} persons."
        raise Conflict(Issue("conflict", message, "criteria", rule="small-difference"))


def classes_of(persons: Mapping[str, Sequence[str]], k: int) -> Classes:
    """The classes of persons with the same answers; `below` is how many persons stand in classes smaller than `k`."""
    sizes = Counter(tuple(answers) for answers in persons.values())
    small = [size for size in sizes.values() if size < k]
    return Classes(min(sizes.values(), default=0), sum(small), len(persons))
