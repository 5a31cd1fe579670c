"""Rows of readings as lines of one measure: total motion of whole digits, or the numbers of one kind of measurement."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from statistics import median
from typing import Any

from service.domain.anatomy import PARTS
from service.domain.field import UNKNOWN
from service.domain.kinds import KINDS
from service.domain.measurement import MeasurementKind
from service.domain.outcomes.answers import Better
from service.domain.outcomes.lines import Line
from service.domain.units import convert
from service.errors import Invalid, Issue
from service.exchange.outcomes.days import Days
from service.exchange.outcomes.source import Row, Source
from service.exchange.population import engine, total_motion

TOTALS = {"total-active-motion": "active", "total-passive-motion": "passive"}
MEASURES = (*TOTALS, *(kind.name for kind in KINDS.values() if kind.units))
STATE = "orthosis_state"


@dataclass(frozen=True, slots=True)
class Measured:
    """Every line of a measure, its unit and better side, and how many rows were not used, by reason."""

    lines: list[Line]
    unit: str
    better: Better
    not_used: dict[str, int]


def measured(source: Source, measure: str, where: Mapping[str, str], days: Days) -> Measured:
    """The lines of a measure, of rows whose columns say what `where` says.

    Raises `Invalid` for an unknown measure or column, and where the rows are of several things that are not one line.
    """
    if measure in TOTALS:
        return _totals(source, TOTALS[measure], {STATE: "free", **where}, days)
    kind = KINDS.get(measure)
    if kind is None or not kind.units:
        expected = "one of " + ", ".join(MEASURES)
        raise Invalid(Issue("value", "There is no such measure with numbers.", "measure", measure, expected=expected))
    return _of_kind(source, kind, where, days)


def _of_kind(source: Source, kind: MeasurementKind, where: Mapping[str, str], days: Days) -> Measured:
    not_used: Counter[str] = Counter()
    rows = [row for row in _fitting(source.rows(kind.name), where) if _used(row, days, not_used)]
    axes = [axis.name for axis in kind.axes]
    _require_one(rows, axes)
    better = kind.better({name: rows[0][name] for name in axes}) if rows else "unstated"
    if rows and better == "unstated":
        message = "The measure has no better side of its own: what an outcome would be cannot be told."
        raise Invalid(Issue("value", message, "measure", kind.name))
    alike = [name for name in kind.series_key if name not in ("site", "direction", "repeat", *axes)]
    unit = kind.units[0]
    found: dict[tuple[str, str, str, str], list[tuple[int, float]]] = {}
    for row in rows:
        conditions = ", ".join(f"{name} {row[name]}" for name in alike if name in row)
        value = float(convert(Decimal(str(row["value"])), row["unit"], unit)) if row["unit"] != unit else row["value"]
        key = (row["patient"], row["side"] or "", row["part"] or "", conditions)
        found.setdefault(key, []).append((days.of(row) or 0, float(value)))
    return Measured(_lines(found), unit, "less" if better == "less" else "more", dict(not_used))


def _used(row: Row, days: Days, not_used: Counter[str]) -> bool:
    """Whether a row is a number of a hand, of a known day, and no repeat; else it is counted."""
    why = ""
    if row["value"] is None:
        why = "no value"
    elif row["comparator"]:
        why = "beyond the range of the instrument"
    elif row.get("repeat", UNKNOWN) != UNKNOWN:
        why = "repeats another reading"
    elif days.of(row) is None:
        why = "no day"
    elif row["side"] not in ("left", "right"):
        why = "of no one hand"
    not_used.update([why] if why else [])
    return not why


def _totals(source: Source, mode: str, where: Mapping[str, str], days: Days) -> Measured:
    """Total motion of whole digits, by the one expression that computes it across patients."""
    not_used: Counter[str] = Counter()
    rows = [row for row in _fitting(source.rows("joint-motion"), where) if _used(row, days, not_used)]
    with engine("duckdb") as backend:
        totals = backend.to_pyarrow(total_motion(_motion(rows, days), mode)).to_pylist()
    _require_one(totals, [STATE])
    found: dict[tuple[str, str, str, str], list[tuple[int, float]]] = {}
    for row in totals:
        key = (row["patient"], row["side"], row["digit"], f"treatment {row['treatment']}")
        found.setdefault(key, []).append((row["day"], row["total"]))
    return Measured(_lines(found), "deg", "more", dict(not_used))


_TEXTS = ("patient", "visit", "taken", "side", "part", "motion", "mode", STATE, "treatment", "together", "repeat")


def _motion(rows: Sequence[Row], days: Days) -> Any:
    import ibis  # both are of the extra `research`, as is the engine
    import pyarrow

    columns = {name: pyarrow.array([row[name] for row in rows], pyarrow.string()) for name in _TEXTS}
    columns["study_day"] = pyarrow.array([days.of(row) for row in rows], pyarrow.int64())
    columns["value"] = pyarrow.array([float(row["value"]) for row in rows], pyarrow.float64())
    return ibis.memtable(pyarrow.table(columns))


def _fitting(rows: Iterable[Row], where: Mapping[str, str]) -> list[Row]:
    found = list(rows)
    for name in where:
        if found and name not in found[0]:
            expected = "one of " + ", ".join(found[0])
            raise Invalid(Issue("value", "The table has no such column.", "--where", name, expected=expected))
    return [row for row in found if all(str(row[name]) == value for name, value in where.items())]


def _require_one(rows: Sequence[Row], names: Iterable[str]) -> None:
    """Raise `Invalid` where rows are of several answers of what makes a measure."""
    issues = []
    for name in names:
        told = sorted({str(row[name]) for row in rows})
        if len(told) > 1:
            message = f"The readings differ in {name.replace('_', ' ')}: they are not one measure."
            issues.append(Issue("value", message, "--where", ", ".join(told), expected=f"--where {name}={told[0]}"))
    if issues:
        raise Invalid(*issues)


def _lines(found: Mapping[tuple[str, str, str, str], Sequence[tuple[int, float]]]) -> list[Line]:
    """One value a day: the median of those of one day."""
    lines = []
    for (patient, side, part, conditions), points in sorted(found.items()):
        by_day: dict[int, list[float]] = {}
        for day, value in points:
            by_day.setdefault(day, []).append(value)
        digit = PARTS[part].digit if part in PARTS else ""
        values = tuple((day, median(of_day)) for day, of_day in sorted(by_day.items()))
        lines.append(Line(patient, side, digit, part, conditions, values))
    return lines
