"""From a study to files, as an operator types it, on the invented example clinic."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.commands import app

ROOT = Path(__file__).resolve().parents[1]


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    file = tmp_path_factory.mktemp("research") / "demo.sqlite"
    assert run("demo", "--file", file).exit_code == 0
    return f"sqlite:///{file}"


def opened(url: str) -> str:
    made = run("study", "open", ROOT / "examples" / "study.json", "--database", url)
    assert made.exit_code == 0, made.output
    return str(json.loads(made.output)["id"])


def test_a_study_leads_to_tables_with_their_codebook(url: str, tmp_path: Path) -> None:
    folder = tmp_path / "out" / "release"
    made = run("study", "release", opened(url), "--out", folder, "--database", url)
    assert made.exit_code == 0, made.output
    assert "refused the use for research: 0 (remaining 6)" in made.output
    names = {each.name for each in folder.iterdir()}
    assert {"Patient.ndjson", "Observation.ndjson", "joint-motion.csv", "codebook.json", "manifest.json"} <= names
    manifest = json.loads((folder / "manifest.json").read_text())
    assert manifest["deidentification"]["profile"] == "S"
    tables = json.loads((folder / "codebook.json").read_text())["tables"]
    assert {f"{table['name']}.csv" for table in tables} == {name for name in names if name.endswith(".csv")}
    everything = "".join(each.read_text() for each in folder.iterdir() if each.name not in ("manifest.json",))
    rows = (folder / "joint-motion.csv").read_text().splitlines()
    assert len(rows) > 100
    assert "INVENTED-" not in everything
    assert not re.search(r"\b20\d\d-\d\d-\d\d\b", "".join(p.read_text() for p in folder.glob("*.csv")))


def test_a_folder_that_is_there_is_left_alone(url: str, tmp_path: Path) -> None:
    refused = run("study", "release", opened(url), "--out", tmp_path, "--database", url)
    assert refused.exit_code == 1
    assert "The folder is there already" in refused.output
    assert list(tmp_path.iterdir()) == []


def test_a_cohort_that_is_too_small_is_refused(url: str, tmp_path: Path) -> None:
    words = ("--where", "birthdate=lt1900", "--out", tmp_path / "none", "--database", url)
    refused = run("study", "release", opened(url), *words)
    assert refused.exit_code == 1
    assert "fewer than 3 persons" in refused.output
    assert not (tmp_path / "none").exists()


def test_a_study_file_with_faults_names_them(url: str, tmp_path: Path) -> None:
    file = tmp_path / "study.json"
    file.write_text('{"title": "x", "profile": "T"}')
    refused = run("study", "open", file, "--database", url)
    assert refused.exit_code == 1
    assert "study.json.profile" in refused.output
    assert "This is not one of the answers" in refused.output
