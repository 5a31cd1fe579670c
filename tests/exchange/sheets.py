"""Small spreadsheets of readings for tests, with the header that belongs to them."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

SYSTEM = "https://invented-clinic.example"
HEADER: dict[str, Any] = {
    "declared_by": {"name": "Thea Therapist"},
    "zone": "Europe/Vienna",
    "patient_system": f"{SYSTEM}/patient",
    "visit_system": f"{SYSTEM}/visit",
    "orthosis_system": f"{SYSTEM}/orthosis",
    "examiners": {"TT": {"name": "Thea Therapist"}},
}
READING = {
    "patient": "P1", "visit": "V1", "date": "2026-03-02 09:30", "examiner": "TT", "kind": "joint-motion",
    "side": "right", "site": "index-pip", "motion": "flexion", "mode": "active", "value": "80", "unit": "deg",
    "convention": "named",
}  # fmt: skip


def row(**changes: str) -> dict[str, str]:
    """A row with nothing wrong in it, changed."""
    return {**READING, **changes}


def grip(**changes: str) -> dict[str, str]:
    """A grip with nothing wrong in it, changed."""
    own = {"kind": "grip-strength", "site": "hand", "motion": "", "mode": "", "convention": "", "value": "30"}
    return row(**{**own, "unit": "kgf", **changes})


def sheet(folder: Path, rows: Iterable[Mapping[str, str]], name: str = "sheet", **header: Any) -> Path:
    """A CSV file of these rows and its header file: `HEADER` changed, None takes a member out.

    Its columns are all that any row has.
    """
    given = list(rows)
    columns = list(dict.fromkeys(column for each in given for column in each))
    path = folder / f"{name}.csv"
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="")
        writer.writeheader()
        writer.writerows(given)
    path.with_name(f"{name}.header.json").write_text(
        json.dumps({name: said for name, said in {**HEADER, **header}.items() if said is not None})
    )
    return path
