"""`python -m tests.bench.population`: how the population computation grows with its rows, on DuckDB and on Spark.

The rows are invented: the table of joint motion of so many patients, four fingers each, with a trend and noise in
steps of half a degree, so that both engines' sums are exact and their answers must be equal.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from rich.console import Console
from rich.table import Table

from service.exchange.population import ENGINES, engine, joint_motion, slopes, total_motion

VISITS, FINGERS, JOINTS = 7, ("index", "middle", "ring", "little"), ("mcp", "pip", "dip")
ROWS_OF_PATIENT = VISITS * len(FINGERS) * len(JOINTS) * 2
_GROUP = 500
"""Patients in a row group."""


def write_rows(path: Path, rows: int, seed: int = 1) -> int:
    """The table of joint motion of as many patients as give at least these rows; answers the number of rows."""
    patients, random = -(-rows // ROWS_OF_PATIENT), np.random.default_rng(seed)
    schema = pa.schema(
        [(name, pa.string()) for name in ("patient", "visit", "taken", "side", "part", "motion", "mode")]
        + [("orthosis_state", pa.string()), ("treatment", pa.string()), ("together", pa.string())]
        + [("repeat", pa.string()), ("study_day", pa.int64()), ("value", pa.decimal128(38, 9))]
    )
    with pq.ParquetWriter(path, schema) as writer:
        for first in range(0, patients, _GROUP):
            writer.write_table(_group(np.arange(first, min(first + _GROUP, patients)), random, schema))
    return patients * ROWS_OF_PATIENT


def _group(patients: Any, random: Any, schema: Any) -> Any:
    shape = (len(patients), VISITS, len(FINGERS), len(JOINTS), 2)
    index = [np.broadcast_to(np.arange(n).reshape([-1 if i == at else 1 for i in range(5)]), shape).ravel()
             for at, n in enumerate(shape)]  # fmt: skip
    patient, visit, finger, joint, end = index
    flexion = np.round((50 + 3 * visit + random.normal(0, 4, visit.size)) * 2) / 2
    deficit = np.round(np.abs(random.normal(10, 4, visit.size)) * 2) / 2
    halves = (np.where(end == 0, flexion, deficit) * 2).astype(np.int64)
    names = np.array([f"p{number}" for number in patients])[patient]
    parts = np.array([[f"{f}-{j}" for j in JOINTS] for f in FINGERS])[finger, joint]
    constant = {"side": "right", "mode": "active", "orthosis_state": "free", "treatment": "unknown",
                "together": "together", "repeat": "unknown"}  # fmt: skip
    columns: dict[str, Any] = {name: pa.array(np.full(visit.size, told)) for name, told in constant.items()}
    columns["patient"], columns["part"] = pa.array(names), pa.array(parts)
    columns["visit"] = pa.array(np.char.add(np.char.add(names, "v"), visit.astype(str)))
    columns["taken"] = pa.nulls(visit.size, pa.string())
    columns["study_day"] = pa.array(visit * 7)
    columns["motion"] = pa.array(np.array(["flexion", "extension-deficit"])[end])
    columns["value"] = pa.array(halves / 2).cast(pa.decimal128(38, 9))
    return pa.table({field.name: columns[field.name] for field in schema}, schema=schema)


def measured(name: str, path: Path) -> tuple[float, float, int, float]:
    """Seconds for the totals and for the slopes, the number of slopes, and their sum."""
    with engine(name) as backend:
        table = joint_motion(backend, [path])
        started = time.perf_counter()
        total_motion(table).count().execute()
        totals = time.perf_counter() - started
        started = time.perf_counter()
        found = slopes(total_motion(table)).to_pyarrow()
        taken = time.perf_counter() - started
    return totals, taken, found.num_rows, float(pa.compute.sum(found["slope"]).as_py())


def main() -> None:
    """Print how both engines grow."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--millions", default="1,2,4,8,16")
    asked.add_argument("--engines", default=",".join(ENGINES))
    given = asked.parse_args()
    drawn = Table("rows", "engine", "totals s", "slopes s", "rows/s", "slopes", "sum of slopes", "peak MB")
    with tempfile.TemporaryDirectory() as folder:
        for million in given.millions.split(","):
            path = Path(folder) / "rows.parquet"
            rows = write_rows(path, int(float(million) * 1_000_000))
            for name in given.engines.split(","):
                totals, taken, count, checksum = measured(name, path)
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                drawn.add_row(f"{rows:,}", name, f"{totals:.2f}", f"{taken:.2f}", f"{rows / taken:,.0f}", f"{count:,}",
                              f"{checksum:.6f}", f"{peak:,.0f}")  # fmt: skip
    Console().print(drawn)


if __name__ == "__main__":
    main()
