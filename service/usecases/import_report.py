"""What an import came to, or would come to."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from service.domain.measurement import Absent, Coded, Measurement, Quantity
from service.errors import Issue

Act = Literal["created", "updated", "unchanged"]


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a row was not taken in: where it stands, in which column, what stood there, and the reason.

    `rule` is the short name of the rule it broke. A row without fault in a refused visit has the rule `whole-visit`.
    """

    place: str
    column: str
    value: str
    reason: str
    rule: str = ""
    expected: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """A reading that was here already and that the file now states otherwise."""

    place: str
    reading: str
    before: str
    after: str


@dataclass
class Report:
    """Counts are by type of resource. `refused` and `warnings` name rows as the file numbers them."""

    source: str
    dry_run: bool = False
    rows: int = 0
    visits: int = 0
    created: Counter[str] = field(default_factory=Counter)
    updated: Counter[str] = field(default_factory=Counter)
    unchanged: Counter[str] = field(default_factory=Counter)
    changes: list[Change] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    warnings: list[Issue] = field(default_factory=list)
    _counted: set[str] = field(default_factory=set, repr=False)

    def count(self, kind: str, act: Act, number: int = 1) -> None:
        """Resources of one type, by what became of them."""
        if number:
            {"created": self.created, "updated": self.updated, "unchanged": self.unchanged}[act][kind] += number

    def count_once(self, reference: str, act: Act) -> None:
        """A resource that many visits share."""
        if reference not in self._counted:
            self._counted.add(reference)
            self.count(reference.partition("/")[0], act)

    def refuse(self, places: Iterable[str], issues: Iterable[Issue]) -> None:
        """Every issue with its row, then the rows of the same visit that have none."""
        rows = list(places)
        faulty = set()
        for issue in issues:
            place, column = _located(issue.where, rows)
            faulty.add(place)
            self.refused.append(
                Refused(place, column, issue.value, issue.message, issue.rule or issue.code, issue.expected)
            )
        why = f"Not taken in, because its visit was refused: {', '.join(sorted(faulty))}."
        self.refused += [Refused(place, "", "", why, "whole-visit") for place in rows if place not in faulty]

    def in_order(self) -> Report:
        """The same, with refusals and warnings in the order of the file's rows."""
        self.refused.sort(key=lambda refused: _number(refused.place))
        self.warnings.sort(key=lambda warning: _number(warning.where))
        return self


def _number(place: str) -> int:
    found = re.search(r"\d+", place)
    return int(found[0]) if found else 0


_COLUMNS = {"by": "examiner", "at": "date", "when": "date"}


def _located(where: str, places: list[str]) -> tuple[str, str]:
    """The row and the column of an issue; one that names no row belongs to the first of its visit."""
    place, _, column = where.partition(".")
    if place not in places:
        place, column = places[0], where
    return place, _COLUMNS.get(column, column)


def differences(before: Measurement, after: Measurement) -> tuple[str, str]:
    """What two statements of one reading say differently, in words."""
    one, other = _told(before), _told(after)
    names = [name for name in other if one.get(name) != other[name]]
    return tuple(", ".join(f"{n} {told.get(n, 'none')}" for n in names) for told in (one, other))  # type: ignore[return-value]


def _told(measurement: Measurement) -> dict[str, str]:
    around = measurement.circumstances
    return {
        "value": _value(measurement.value),
        "trials": "/".join(_value(trial) for trial in measurement.trials),
        "site": measurement.site.name,
        **measurement.axes,
        **measurement.context,
        "time": around.taken.date().isoformat() if around.day_only else around.taken.isoformat(),
        "examiner": around.performer or around.performer_name,
        "orthosis": around.device_use,
        "note": around.note,
    }


def _value(value: Quantity | Coded | Absent) -> str:
    match value:
        case Quantity(number, unit, comparator):
            return f"{comparator}{number} {unit}"
        case Coded(code):
            return code
        case Absent(reason):
            return reason
