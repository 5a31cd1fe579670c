"""From a study to outcomes, as an operator types it, on the invented example clinic."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import runpy
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.commands import app

# ibis 12 still calls a function of DuckDB 2 under its old name.
pytestmark = pytest.mark.filterwarnings("ignore:fetch_arrow_table:DeprecationWarning")
ROOT = Path(__file__).resolve().parents[3]


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def done(*words: str | Path) -> str:
    result = run(*words)
    assert result.exit_code == 0, result.output
    return result.output


def rows(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def releases(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path, Path, str]:
    """The database; a release of days and one of moved dates, as folders; the id of the first."""
    folder = tmp_path_factory.mktemp("outcomes")
    url = f"sqlite:///{folder / 'demo.sqlite'}"
    done("demo", "--file", folder / "demo.sqlite")
    study = json.loads((ROOT / "examples" / "study.json").read_text())
    idents = []
    for profile in ("S", "L"):
        file = folder / f"{profile}.json"
        file.write_text(
            json.dumps({**study, "profile": profile, "agreement": "invented agreement" if profile == "L" else ""})
        )
        ident = json.loads(done("study", "open", file, "--database", url))["id"]
        told = done("study", "release", ident, "--out", folder / profile, "--database", url)
        idents.append(re.search(r"release: (\S+)", told).group(1))
    return url, folder / "S", folder / "L", idents[0]


@pytest.fixture(scope="module")
def answered(releases: tuple[str, Path, Path, str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("answers") / "outcomes"
    told = done("study", "outcomes", releases[1], "--milestone", "200", "--out", folder)
    assert "makes no causal claim" in told
    assert "before any orthosis" in told
    return folder


def test_tables_figure_codebook_and_manifest(answered: Path) -> None:
    names = {each.name for each in answered.iterdir()}
    tables = {"stretches", "summaries", "milestone", "effects", "pooled", "flow"}
    assert names == {*(f"{t}.csv" for t in (*tables, "codebook")), "outcomes.json", "outcomes.vl.json", "outcomes.svg"}
    explained = {(row["table"], row["column"]) for row in rows(answered, "codebook") if row["meaning"]}
    for table in tables:
        header = (answered / f"{table}.csv").read_text().splitlines()[0].split(",")
        assert {column for name, column in explained if name == table} == set(header)
    for table in ("summaries", "milestone", "pooled"):
        assert all("no causal claim" in row["note"] for row in rows(answered, table))
    manifest = json.loads((answered / "outcomes.json").read_text())
    assert manifest["question"]["measure"] == "total-active-motion"
    assert {name: hashlib.sha256((answered / name).read_bytes()).hexdigest() for name in manifest["files"]} == manifest[
        "files"
    ]
    assert set(manifest["files"]) == names - {"outcomes.json"}
    assert "no causal claim" in (answered / "outcomes.svg").read_text()


def test_rates_are_those_of_the_readings(answered: Path) -> None:
    """Of one invented right hand: totals 80, 134, 181 and 66, 122, 172 degrees at 0, 28 and 63 days."""
    found = [row for row in rows(answered, "stretches") if row["first"] in ("80", "66")]
    assert [(row["stage"], row["visits"], row["last"]) for row in found] == [("none", "3", "181"), ("none", "3", "172")]
    slopes = [sorted([(134 - 80) / 4, (181 - 134) / 5, (181 - 80) / 9])[1], sorted([56 / 4, 50 / 5, 106 / 9])[1]]
    assert [float(row["slope"]) for row in found] == pytest.approx(slopes, abs=1e-4)


def test_patients_hands_and_digits_drop_out_by_name(answered: Path) -> None:
    found = {row["what"]: row for row in rows(answered, "flow")}
    first = found["no usable value of the measure (patients)"]
    assert (first["left_out_patients"], first["remaining_patients"]) == ("1", "5")
    assert [int(first[f"remaining_{name}"]) for name in ("hands", "digits")] == [9, 13]
    assert found["no course, injury, operation or orthosis names the hand"]["remaining_digits"] == "8"


def test_the_same_is_computed_tomorrow_and_from_the_record(
    releases: tuple[str, Path, Path, str], answered: Path, tmp_path: Path
) -> None:
    url, folder, _, ident = releases
    done("study", "outcomes", folder, "--milestone", "200", "--out", tmp_path / "again")
    done("study", "outcomes", ident, "--milestone", "200", "--out", tmp_path / "kept", "--database", url)
    for name in [each.name for each in answered.iterdir() if each.suffix in (".csv", ".json")]:
        assert (tmp_path / "again" / name).read_bytes() == (answered / name).read_bytes(), name
        assert (tmp_path / "kept" / name).read_bytes() == (answered / name).read_bytes(), name


def test_moved_dates_give_the_same_answers(
    releases: tuple[str, Path, Path, str], answered: Path, tmp_path: Path
) -> None:
    done("study", "outcomes", releases[2], "--milestone", "200", "--out", tmp_path / "moved")
    for name, without in (("stretches", ("patient",)), ("flow", ()), ("summaries", ())):
        alike = [
            sorted(tuple(v for k, v in row.items() if k not in without) for row in rows(place, name))
            for place in (answered, tmp_path / "moved")
        ]
        assert alike[0] == alike[1], name
    tables = "".join(each.read_text() for each in (tmp_path / "moved").glob("*.csv"))
    assert not re.search(r"\b(19|20)\d\d-\d\d-\d\d\b", tables)


def test_other_measures(releases: tuple[str, Path, Path, str], tmp_path: Path) -> None:
    done("study", "outcomes", releases[1], "--measure", "grip-strength", "--out", tmp_path / "grip")
    grip = rows(tmp_path / "grip", "stretches")
    assert {row["digit"] for row in grip} == {""}
    assert any(row["first"] == "4.75" and row["last"] == "18.5" for row in grip)
    words = ("--measure", "joint-motion", "--where", "motion=extension-deficit", "--where", "mode=active")
    done("study", "outcomes", releases[1], *words, "--where", "orthosis_state=free", "--out", tmp_path / "deficit")
    assert json.loads((tmp_path / "deficit" / "outcomes.json").read_text())["question"]["better"] == "less"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--measure", "charm"), "There is no such measure with numbers"),
        (("--measure", "joint-motion"), "The readings differ in motion"),
        (("--measure", "joint-motion", "--where", "colour=red"), "The table has no such column"),
        (("--where", "treatment=none-such"), "No reading of the release answers this"),
    ],
)
def test_what_cannot_be_asked(
    releases: tuple[str, Path, Path, str], tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    refused = run("study", "outcomes", releases[1], *words, "--out", tmp_path / "none")
    assert refused.exit_code == 1
    assert said in " ".join(refused.output.split())
    assert list(tmp_path.iterdir()) == []


def test_a_release_that_was_touched_is_refused(releases: tuple[str, Path, Path, str], tmp_path: Path) -> None:
    copy = tmp_path / "release"
    copy.mkdir()
    for each in releases[1].iterdir():
        (copy / each.name).write_bytes(each.read_bytes())
    with (copy / "Observation.ndjson").open("ab") as file:
        file.write(b"\n")
    refused = run("study", "outcomes", copy, "--out", tmp_path / "none")
    assert refused.exit_code == 1
    assert "its checksum differs" in " ".join(refused.output.split())
    (copy / "Observation.ndjson").unlink()
    assert "is not there" in " ".join(run("study", "outcomes", copy, "--out", tmp_path / "none").output.split())
    (copy / "manifest.json").unlink()
    told = run("study", "outcomes", copy, "--out", tmp_path / "none").output
    assert "no folder of a release" in " ".join(told.split())


def test_a_folder_that_is_there_is_left_alone(releases: tuple[str, Path, Path, str], answered: Path) -> None:
    before = {each.name: each.read_bytes() for each in answered.iterdir()}
    told = run("study", "outcomes", releases[1], "--out", answered).output
    assert "is there already" in " ".join(told.split())
    assert {each.name: each.read_bytes() for each in answered.iterdir()} == before


def test_the_script_for_pandas_finds_the_same(
    releases: tuple[str, Path, Path, str], answered: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The worked script goes from the tables of the release alone to total motion and its rate."""
    pytest.importorskip("pandas", reason="pandas is not installed")
    script = runpy.run_path(str(ROOT / "examples" / "outcomes_pandas.py"))
    script["main"](str(releases[1]))
    assert "no causal claim" in capsys.readouterr().out
    mine = script["rates"](script["totals"](releases[1]))
    wanted = {
        (row["patient"], row["side"], row["digit"]): float(row["slope"])
        for row in rows(answered, "stretches")
        if row["slope"] and row["stage"] == "none"
    }
    got = {(r.patient, r.side, r.digit): r.slope for r in mine.itertuples()}
    assert wanted
    assert {key: got[key] for key in wanted} == pytest.approx(wanted, abs=1e-4)
