"""What a clinic sets for judging change: worthwhile rates, its own measurement errors, how many review points."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Literal

from service.domain.change.comparable import Trajectory
from service.domain.change.gathering import BETTER
from service.domain.change.plateau import WORTHWHILE, Rate
from service.domain.change.review_points import MOST
from service.domain.error import PublishedError
from service.domain.kinds import KINDS
from service.domain.units import UNITS
from service.errors import Invalid, Issue, Misconfigured, RecordError
from service.fhir import text
from service.usecases.form import Form, Text, filled

OWN = "the clinic's own"
_RATERS = {"same": "within raters, this clinic's", "different": "within and between raters, this clinic's"}


@dataclass(frozen=True, slots=True)
class ChangeRules:
    """The rates that count as worthwhile, and the clinic's own errors, each by the name of a measure.

    A clinic's own errors stand in place of published ones: they are of its examiners, instruments and patients.
    `most_points` is how many review points of one patient are shown at once.
    """

    rates: Mapping[str, Rate] = field(default_factory=lambda: dict(WORTHWHILE))
    errors: Mapping[str, tuple[PublishedError, ...]] = field(default_factory=dict)
    most_points: int = MOST

    def applied(self, trajectory: Trajectory) -> Trajectory:
        """The trajectory with the clinic's own errors, where it has any for its measure, kind or metric."""
        own = self.errors.get(trajectory.measure) or self.errors.get(trajectory.key[0])
        fitting = tuple(e for e in own or () if _one_dimension(e.unit, trajectory.unit))
        return replace(trajectory, errors=fitting) if fitting else trajectory


def _one_dimension(one: str, other: str) -> bool:
    return one in UNITS and other in UNITS and UNITS[one].dimension == UNITS[other].dimension


class _Rate(Form):
    amount: Decimal | int
    unit: Text


class _Error(Form):
    measure: Text
    sem: Decimal | int
    unit: Text
    raters: Literal["same", "different"]
    population: Text
    method: Text
    source: Text


class _File(Form):
    worthwhile: dict[str, _Rate] = {}
    errors: list[_Error] = []
    review_points: int = MOST


def change_rules_of(path: Path | None) -> ChangeRules:
    """What the clinic's file says. Raises `Misconfigured` for a file that cannot be used, with every reason."""
    if path is None:
        return ChangeRules()
    try:
        stated = filled(text.parse(path.read_bytes()), _File)
        issues = list(_faults(stated))
        if issues:
            raise Invalid(*issues)
    except OSError as problem:
        message = f"The file of settings for change cannot be read: {problem.strerror}."
        raise Misconfigured(Issue("exception", message, "HANDRECORD_CHANGE_FILE")) from problem
    except RecordError as error:
        raise Misconfigured(*(issue.at("HANDRECORD_CHANGE_FILE") for issue in error.issues)) from error
    return _rules(stated)


def _rules(stated: _File) -> ChangeRules:
    own = {name: Rate(Decimal(each.amount), each.unit, OWN) for name, each in stated.worthwhile.items()}
    errors: dict[str, tuple[PublishedError, ...]] = {}
    for each in stated.errors:
        made = PublishedError(
            statistic="SEM",
            low=Decimal(each.sem),
            high=Decimal(each.sem),
            unit=each.unit,
            level="",
            population=each.population,
            raters=_RATERS[each.raters],
            method=each.method,
            source=f"{OWN}: {each.source}",
        )
        errors[each.measure] = (*errors.get(each.measure, ()), made)
    return ChangeRules({**WORTHWHILE, **own}, errors, stated.review_points)


def _faults(stated: _File) -> Iterator[Issue]:
    for name, rate in stated.worthwhile.items():
        yield from _named(f"worthwhile.{name}", name)
        yield from _amount(f"worthwhile.{name}", rate.amount, rate.unit)
    if stated.review_points < 1:
        message = "At least one review point is shown: a red flag that nobody answered is one."
        yield Issue("value", message, "review_points", str(stated.review_points), "at-least-one", "1 or more")
    for n, error in enumerate(stated.errors):
        yield from _named(f"errors[{n}].measure", error.measure)
        yield from _amount(f"errors[{n}]", error.sem, error.unit)


def _named(where: str, name: str) -> Iterator[Issue]:
    codes = {code for kind in KINDS.values() for code in kind.concepts}
    if name not in (*KINDS, *BETTER, *codes) and not name.endswith("-position"):
        expected = "the name of a kind or of a metric that is followed, the code of a reading, or …-position"
        yield Issue("value", f"'{name}' is not followed over time.", where, name, "known-measure", expected)


def _amount(where: str, amount: Decimal | int, unit: str) -> Iterator[Issue]:
    if not amount > 0:
        yield Issue("value", "The amount is above 0.", where, str(amount), "above-zero", "a number above 0")
    if unit not in UNITS:
        message = f"'{unit}' is not a unit this record knows."
        yield Issue("value", message, where, unit, "ucum-unit", "one of " + ", ".join(UNITS))
