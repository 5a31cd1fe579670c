"""A clinic's own table of codes, as CSV: codes it holds a licence for, or its own, in its own words."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from datetime import date
from io import StringIO
from typing import Any

from service.domain.billing.codes import OWN, Code
from service.domain.orthosis.design import FABRICATION, FORMS, REGIONS
from service.errors import Invalid, Issue

COLUMNS: dict[str, str] = {
    "code": "The code. Required.",
    "system": "Address of the code system. Required.",
    "text": "The clinic's own words for it. Required.",
    "since": "First day on which it is valid.",
    "until": "Last day on which it is valid.",
    "forms": "Forms it is for, separated by spaces.",
    "regions": "Regions it is for, separated by spaces.",
    "fabrication": "Ways of fabrication it is for, separated by spaces.",
    "joints": "with, without, or empty.",
    "per": "What one unit is; empty: one orthosis.",
}
_LISTS: Mapping[str, Mapping[str, str]] = {"forms": FORMS, "regions": REGIONS, "fabrication": FABRICATION}
_WORDS: Mapping[str, Mapping[str, str]] = {**_LISTS, "joints": {"with": "", "without": ""}}


def own_table(text: str) -> tuple[Code, ...]:
    """A clinic's own codes, from CSV with a heading of `COLUMNS`. Raises `Invalid` with every fault and its row."""
    reader = csv.DictReader(StringIO(text.removeprefix("\ufeff")), strict=True)
    try:
        rows = list(reader)
    except csv.Error as problem:
        raise Invalid(Issue("structure", "The table of codes is not readable as CSV.", value=str(problem))) from problem
    strange = [name for name in reader.fieldnames or () if name not in COLUMNS]
    expected = ", ".join(COLUMNS)
    issues = [Issue("value", "There is no such column.", name, name, "known-column", expected) for name in strange]
    issues += [issue for n, row in enumerate(rows, 2) for issue in _faults(n, row)]
    keys = [(row.get("system"), row.get("code")) for row in rows]
    issues += [
        Issue("duplicate", "This code stands in the table twice.", f"row {n}", str(key[1]), "code-once")
        for n, key in enumerate(keys, 2)
        if keys.index(key) != n - 2
    ]
    if issues:
        raise Invalid(*issues)
    return tuple(_own(row) for row in rows)


def _faults(n: int, row: Mapping[str | None, Any]) -> Iterator[Issue]:
    if None in row or None in row.values():
        yield Issue("structure", "The row has another number of columns than the heading.", f"row {n}")
        return
    yield from _absences(n, row)
    for name, allowed in _WORDS.items():
        for word in str(row.get(name) or "").split():
            if word not in allowed:
                expected, place = ", ".join(allowed), f"row {n}, column {name}"
                yield Issue("value", "This word is not known.", place, word, "known-word", expected)


def _absences(n: int, row: Mapping[str | None, Any]) -> Iterator[Issue]:
    for name in ("code", "system", "text"):
        if not str(row.get(name) or "").strip():
            yield Issue("required", "This column is needed.", f"row {n}, column {name}", expected=COLUMNS[name])
    for name in ("since", "until"):
        if row.get(name) and _day(row[name]) is None:
            yield Issue("value", "That is no day.", f"row {n}, column {name}", row[name], "day", "as 2026-03-02")


def _own(row: Mapping[str, str]) -> Code:
    lists = {name: tuple((row.get(name) or "").split()) for name in _LISTS}
    return Code(
        system=row["system"].strip(),
        code=row["code"].strip(),
        display=row["text"].strip(),
        category=OWN,
        regions=lists["regions"],
        fabrication=lists["fabrication"],
        forms=lists["forms"],
        joints=row.get("joints") or "",
        per=row.get("per") or "orthosis",
        since=_day(row.get("since")),
        until=_day(row.get("until")),
    )


def _day(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text or "")
    except ValueError:
        return None
