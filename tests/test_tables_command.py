"""The commands about flat tables: what they write, what they refuse, and that nothing half is left."""

from __future__ import annotations

import csv
import json
from decimal import Decimal
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.commands import app
from service.domain.actor import LOCAL
from service.exchange.scenario import load
from service.exchange.views.shipped import tables
from service.fhir import text
from service.fhir.search_parameters import parse
from service.storage.records import Records


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The address of a record with the example clinic."""
    url = f"sqlite:///{tmp_path_factory.mktemp('tables') / 'clinic.sqlite'}"
    records = Records.create(url)
    load(records, LOCAL)
    records.close()
    return url


def test_every_format_says_the_same(clinic: str, tmp_path: Path) -> None:
    import pyarrow.parquet

    for suffix in ("ndjson", "json", "csv", "parquet"):
        written = run("view", "grip-strength", "--out", tmp_path / f"grip.{suffix}", "--database", clinic)
        assert written.exit_code == 0, written.output
    lines = [json.loads(line, parse_float=Decimal) for line in (tmp_path / "grip.ndjson").read_text().splitlines()]
    whole = json.loads((tmp_path / "grip.json").read_text(), parse_float=Decimal)
    with (tmp_path / "grip.csv").open(newline="") as file:
        cells = list(csv.DictReader(file))
    stored = pyarrow.parquet.read_table(tmp_path / "grip.parquet").to_pylist()
    assert len(lines) > 5
    assert lines == whole == [{**row, "value": row["value"] and _trimmed(row["value"])} for row in stored]
    assert cells == [{name: "" if value is None else str(value) for name, value in row.items()} for row in lines]


def _trimmed(number: Decimal) -> Decimal:
    return number.normalize()


def test_again_gives_the_same_bytes(clinic: str, tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv", "a.parquet", "b.parquet"):
        assert run("view", "joint-motion", "--out", tmp_path / name, "--database", clinic).exit_code == 0
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()


def test_a_view_of_ones_own_and_one_patient(clinic: str, tmp_path: Path) -> None:
    records = Records.open(clinic)
    with records.read() as reader:
        patient = reader.search(parse("Patient", [])).matches[0].id
        wanted = reader.search(parse("Encounter", [("patient", patient), ("_total", "accurate")])).total
    records.close()
    column = {"name": "visit", "path": "getResourceKey()"}
    view = tmp_path / "own.json"
    view.write_text(json.dumps({"resource": "Encounter", "select": [{"column": [column]}]}))
    shown = run("view", view, "--patient", patient, "--database", clinic)
    assert shown.exit_code == 0, shown.output
    assert len(shown.output.splitlines()) == wanted > 0
    limited = run("view", view, "--limit", "1", "--database", clinic)
    assert len(limited.output.splitlines()) == 1


def test_resources_of_files_need_no_record(tmp_path: Path) -> None:
    resource = text.parse(Path("examples/resources/good/Observation-grip-strength.json").read_bytes())
    (tmp_path / "a.ndjson").write_bytes(text.dump(resource) + b"\n\n" + text.dump(resource) + b"\n")
    shown = run("view", "grip-strength", "--resources", tmp_path / "a.ndjson", "--format", "csv")
    assert shown.exit_code == 0, shown.output
    header, *rows = csv.reader(shown.output.splitlines())
    assert header == [column.name for column in tables()["grip-strength"].columns]
    assert len(rows) == 2


def test_what_fails_leaves_no_file(tmp_path: Path) -> None:
    (tmp_path / "a.ndjson").write_text('{"resourceType": "Observation"}\n{"resourceType": \n')
    target = tmp_path / "rows.csv"
    target.write_text("as before")
    failed = run("view", "grip-strength", "--resources", tmp_path / "a.ndjson", "--out", target)
    assert failed.exit_code == 1
    assert "a.ndjson, line 2" in " ".join(failed.output.split())
    assert target.read_text() == "as before"
    assert [path.name for path in sorted(tmp_path.iterdir())] == ["a.ndjson", "rows.csv"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["view", "grip"], "There is no view of this name"),
        (["view", "grip-strength", "--format", "xlsx"], "Rows are not written in this format"),
        (["codebook", "grip"], "There is no view of this name"),
    ],
)
def test_what_is_refused_is_told(words: list[str], said: str) -> None:
    refused = run(*words)
    assert refused.exit_code == 1
    assert said in " ".join(refused.output.split())


def test_the_codebook_explains_every_column(tmp_path: Path) -> None:
    shown = json.loads(run("codebook").output)
    assert [table["name"] for table in shown["tables"]] == list(tables())
    for described, table in zip(shown["tables"], tables().values(), strict=True):
        assert [column["column"] for column in described["columns"]] == [column.name for column in table.columns]
        assert all(column["meaning"] and column["missing"] and column["kind"] for column in described["columns"])
    assert {"metric", "formula", "source", "status"} <= set(shown["metrics"][0])
    assert run("codebook", "metrics", "--csv", "--out", tmp_path / "codes.csv").exit_code == 0
    with (tmp_path / "codes.csv").open(newline="") as file:
        assert [row["column"] for row in csv.DictReader(file)] == [
            column.name for column in tables()["metrics"].columns
        ]
    assert "grip-strength: Force" in run("views").output


@pytest.mark.filterwarnings("ignore:fetch_arrow_table:DeprecationWarning")
def test_trends_across_patients(clinic: str, tmp_path: Path) -> None:
    """From the record to slopes, in two commands; the same again gives the same bytes."""
    assert run("view", "joint-motion", "--out", tmp_path / "motion.parquet", "--database", clinic).exit_code == 0
    for name in ("a.csv", "b.csv", "c.parquet"):
        shown = run("population", tmp_path / "motion.parquet", "--out", tmp_path / name)
        assert shown.exit_code == 0, shown.output
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    with (tmp_path / "a.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    told = json.loads(shown.output)
    assert told["digits"] == len(rows) > told["patients"] > 1
    assert told["note"].startswith("Observational")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["examples/clinic.json"], "no Parquet file"),
        (["none.parquet"], "There is no such file"),
        (["none.parquet", "--engine", "abacus"], "There is no such engine"),
    ],
)
def test_what_cannot_be_computed_is_told(words: list[str], said: str) -> None:
    refused = run("population", *words)
    assert refused.exit_code == 1
    assert said in " ".join(refused.output.split())
