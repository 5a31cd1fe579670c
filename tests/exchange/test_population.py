"""The population computation against the domain's own metric, against scipy, and on Spark against DuckDB."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import theilslopes

from service.domain.actor import LOCAL
from service.domain.metric import Parameters
from service.domain.metrics import METRICS
from service.domain.metrics.total_motion import is_whole
from service.errors import Malformed
from service.exchange.population import engine, joint_motion, slopes, summary, total_motion
from service.exchange.scenario import load
from service.exchange.views.formats import FORMATS
from service.exchange.views.shipped import find_table
from service.fhir.reading import from_observation, kind_claimed
from service.storage.records import Records
from service.usecases.views import Selection, run
from tests.bench.population import ROWS_OF_PATIENT, write_rows

# ibis 12 still calls a function of DuckDB 2 under its old name.
pytestmark = pytest.mark.filterwarnings("ignore:fetch_arrow_table:DeprecationWarning")

HAND = ("patient", "side", "digit", "orthosis_state", "treatment")


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Any]]:
    """The table of joint motion of the example clinic, and the resources behind it."""
    folder = tmp_path_factory.mktemp("population")
    records = Records.create(f"sqlite:///{folder / 'clinic.sqlite'}")
    load(records, LOCAL)
    table = find_table("joint-motion")
    with records.read() as reader:
        resources: list[Any] = run(reader, LOCAL, Selection("Observation", narrowing=table.narrowing), list)
    records.close()
    path = folder / "motion.parquet"
    path.write_bytes(b"".join(FORMATS["parquet"].write(table.columns, table.rows(resources), True)))
    return path, resources


def _key(row: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(row[name] for name in HAND)


def test_totals_are_those_of_the_metric(clinic: tuple[Path, list[Any]]) -> None:
    path, resources = clinic
    by_patient = defaultdict(list)
    for resource in resources:
        if kind_claimed(resource) and resource["status"] != "entered-in-error":
            reading = from_observation(resource)
            by_patient[reading.circumstances.subject].append(reading)
    wanted = {
        (subject.removeprefix("Patient/"), each.site.side, each.site.key, each.conditions["orthosis_state"],
         each.conditions["treatment"], each.visit.removeprefix("Encounter/")): float(each.number)
        for subject, readings in by_patient.items()
        for each in METRICS["total-active-motion"].compute(readings, (), Parameters())
        if each.number is not None and is_whole(each) and each.conditions["together"] == "together"
    }  # fmt: skip
    with engine("duckdb") as backend:
        rows = total_motion(joint_motion(backend, [path])).to_pyarrow().to_pylist()
    assert {(*_key(row), row["occasion"]): row["total"] for row in rows} == wanted
    assert len(wanted) > 10


def test_slopes_are_those_of_scipy(tmp_path: Path) -> None:
    """scipy.stats.theilslopes, on the same totals."""
    count = write_rows(tmp_path / "rows.parquet", 20 * ROWS_OF_PATIENT)
    assert count == 20 * ROWS_OF_PATIENT
    with engine("duckdb") as backend:
        table = joint_motion(backend, [tmp_path / "rows.parquet"])
        totals = total_motion(table).to_pyarrow().to_pylist()
        found = {_key(row): row for row in slopes(total_motion(table)).to_pyarrow().to_pylist()}
        (row,) = summary(slopes(total_motion(table))).to_pyarrow().to_pylist()
    series = defaultdict(list)
    for total in totals:
        series[_key(total)].append((total["day"] / 7, total["total"]))
    assert len(series) == len(found) == 80
    for key, points in series.items():
        days, values = zip(*sorted(points), strict=True)
        assert found[key]["slope"] == pytest.approx(theilslopes(values, days).slope, abs=1e-9)
        assert found[key]["pairs"] == len(points) * (len(points) - 1) // 2
    assert (row["patients"], row["hands"], row["digits"]) == (20, 20, 80)


def test_files_of_another_table_are_refused(tmp_path: Path) -> None:
    import pyarrow
    import pyarrow.parquet

    pyarrow.parquet.write_table(pyarrow.table({"patient": ["a"]}), tmp_path / "other.parquet")
    with engine("duckdb") as backend, pytest.raises(Malformed) as refused:
        joint_motion(backend, [tmp_path / "other.parquet"])
    assert "visit" in refused.value.issues[0].value


@pytest.mark.spark
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # py4j leaves its socket to the collector
def test_spark_gives_what_duckdb_gives(tmp_path: Path, clinic: tuple[Path, list[Any]]) -> None:
    """Exactly: all totals are multiples of half a degree, and both engines compute in doubles."""
    write_rows(tmp_path / "rows.parquet", 50 * ROWS_OF_PATIENT)
    answers = []
    for name in ("duckdb", "spark"):
        with engine(name) as backend:
            found = []
            for path in (tmp_path / "rows.parquet", clinic[0]):
                rows = slopes(total_motion(joint_motion(backend, [path]))).to_pyarrow().to_pylist()
                found.append(sorted((*_key(row), row["slope"], row["pairs"]) for row in rows))
            answers.append(found)
    assert answers[0] == answers[1]
    assert len(answers[0][0]) == 200
