"""How many rows a second `handrecord import` takes in, beside the naive import; each in a process of its own."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.material import VISITS, day_of
from tests.bench.servers import ROOT, environment, migrate

SITES = tuple(f"{digit}-{joint}" for digit in ("index", "middle", "ring", "little") for joint in ("mcp", "pip", "dip"))
LIMIT = 1800.0
"""Seconds an import may take."""
HEADER = {
    "declared_by": {"name": "Invented therapist"},
    "declared_on": "2025-01-07",
    "zone": "Europe/Vienna",
    "patient_system": "https://clinic.example/patients",
    "constants": {
        "kind": "joint-motion",
        "side": "right",
        "mode": "active",
        "orthosis_state": "free",
        "together": "together",
        "method": "goniometer-dorsal",
        "treatment": "before",
        "convention": "named",
        "unit": "deg",
    },
}


def write(folder: Path, rows: int) -> Path:
    """A file of invented readings, twelve a visit, and its header file."""
    (folder / "readings.header.json").write_text(json.dumps(HEADER))
    path = folder / "readings.csv"
    with path.open("w", newline="") as lines:
        out = csv.writer(lines)
        out.writerow(["patient", "date", "site", "motion", "value"])
        for number in range(rows):
            visit, place = divmod(number, len(SITES))
            patient, turn = divmod(visit, VISITS)
            out.writerow([f"B{patient:05}", day_of(turn), SITES[place], "flexion", 60 + number % 15])
    return path


def record(rows: int) -> float:
    """Rows a second through `handrecord import`, start of the process included."""
    with tempfile.TemporaryDirectory() as folder:
        path, variables = write(Path(folder), rows), environment(Path(folder))
        migrate(variables)
        return _timed([sys.executable, "-m", "service", "import", str(path), "--create-patients"], variables, rows)


def naive(rows: int) -> float:
    """Rows a second through the naive import, start of the process included."""
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), rows)
        variables = os.environ | {"NAIVE_DATABASE": str(Path(folder) / "naive.sqlite")}
        return _timed([sys.executable, "-m", "tests.bench.naive", str(path)], variables, rows)


def _timed(command: list[str], variables: dict[str, str], rows: int) -> float:
    began = time.perf_counter()
    subprocess.run(command, cwd=ROOT, env=variables, check=True, timeout=LIMIT, capture_output=True)
    return rows / (time.perf_counter() - began)
