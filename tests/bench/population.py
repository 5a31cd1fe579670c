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

from service.exchange.population import ENGINES, engine, joint_motion, slopes, total_motion

VISITS, FINGERS, JOINTS = 7, ("index", "middle", "ring", "little"), ("mcp", "pip", "dip")
ROWS_OF_PATIENT = VISITS * len(FINGERS) * len(JOINTS) * 2
_GROUP = 500
"""Patients in a row group."""


_TEXTS = (
    "patient", "visit", "taken", "side", "part", "motion", "mode", "orthosis_state", "treatment", "together", "repeat",
)  # fmt: skip
_CODED = pa.dictionary(pa.int32(), pa.string())
_SCHEMA = pa.schema([*((name, _CODED) for name in _TEXTS), ("study_day", pa.int64()), ("value", pa.decimal128(38, 9))])


def write_rows(path: Path, rows: int, seed: int = 1) -> int:
    """The table of joint motion of as many patients as give at least these rows; answers the number of rows."""
    patients, random = -(-rows // ROWS_OF_PATIENT), np.random.default_rng(seed)
    with pq.ParquetWriter(path, _SCHEMA) as writer:
        for first in range(0, patients, _GROUP):
            writer.write_table(_group(np.arange(first, min(first + _GROUP, patients)), random))
    return patients * ROWS_OF_PATIENT


def _group(patients: Any, random: Any) -> Any:
    shape = (len(patients), VISITS, len(FINGERS), len(JOINTS), 2)
    patient, visit, finger, joint, end = (each.ravel() for each in np.indices(shape))
    flexion = np.round((50 + 3 * visit + random.normal(0, 4, visit.size)) * 2) / 2
    deficit = np.round(np.abs(random.normal(10, 4, visit.size)) * 2) / 2
    names = [f"p{number}" for number in patients]
    parts = [f"{finger}-{joint}" for finger in FINGERS for joint in JOINTS]
    constant = {"side": "right", "mode": "active", "orthosis_state": "free", "treatment": "unknown",
                "together": "together", "repeat": "unknown"}  # fmt: skip
    columns = {name: _coded(np.zeros(visit.size), [told]) for name, told in constant.items()}
    columns["patient"] = _coded(patient, names)
    columns["visit"] = _coded(
        patient * VISITS + visit, [f"{name}v{number}" for name in names for number in range(VISITS)]
    )
    columns["part"] = _coded(finger * len(JOINTS) + joint, parts)
    columns["motion"] = _coded(end, ["flexion", "extension-deficit"])
    columns["taken"] = pa.nulls(visit.size, _CODED)
    columns["study_day"] = pa.array(visit * 7, pa.int64())
    columns["value"] = pa.array(np.where(end == 0, flexion, deficit)).cast(pa.decimal128(38, 9))
    return pa.table({field.name: columns[field.name] for field in _SCHEMA}, schema=_SCHEMA)


def _coded(places: Any, values: list[str]) -> Any:
    return pa.DictionaryArray.from_arrays(pa.array(places.astype(np.int32)), pa.array(values))


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
    out = Console(width=120)
    out.print(
        "rows, engine: seconds for totals, for slopes; rows a second; slopes; sum of slopes; peak of this process"
    )
    with tempfile.TemporaryDirectory() as folder:
        for million in given.millions.split(","):
            path = Path(folder) / "rows.parquet"
            rows = write_rows(path, int(float(million) * 1_000_000))
            for name in given.engines.split(","):
                totals, taken, count, checksum = measured(name, path)
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                out.print(
                    f"{rows:,}, {name}: {totals:.2f} s, {taken:.2f} s; {rows / taken:,.0f}/s; {count:,}; "
                    f"{checksum:.6f}; {peak:,.0f} MB"
                )


if __name__ == "__main__":
    main()
