"""The commands, as an operator types them: what they print, what they refuse, and with which exit code."""

from __future__ import annotations

import json
import sqlite3
from decimal import Decimal
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service import settings
from service.commands import app
from service.domain.actor import LOCAL
from service.exchange.scenario import SHOWN
from service.storage.records import Records

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "examples"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def told(result: Result) -> str:
    """What was printed, in one line: where the terminal breaks it does not matter."""
    return " ".join(result.output.split())


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Result]:
    file = tmp_path_factory.mktemp("demo") / "demo.sqlite"
    return f"sqlite:///{file}", run("demo", "--file", file)


def test_the_demo_says_what_it_read_made_and_warned_about(demo: tuple[str, Result]) -> None:
    _, shown = demo
    assert shown.exit_code == 0, shown.output
    for words in ("clinic.json", "readings.csv", "readings.xlsx", "6 Patient", "Observation", "warning, line"):
        assert words in told(shown)
    assert "total active motion" in told(shown)
    assert "% of the other hand" in told(shown)
    assert "total active motion: start" in told(shown)
    assert "touch thresholds of the hand: start" in told(shown)
    assert "they prescribe nothing" in told(shown)
    assert "handrecord serve --database" in told(shown)


def test_the_demo_again_adds_nothing(demo: tuple[str, Result]) -> None:
    url, _ = demo
    again = run("demo", "--file", url.removeprefix("sqlite:///"))
    assert again.exit_code == 0, again.output
    assert "created" not in told(again)
    assert "unchanged" in told(again)


def test_the_demo_goes_into_no_record_of_others(tmp_path: Path) -> None:
    file = tmp_path / "clinic.sqlite"
    records = Records.create(f"sqlite:///{file}")
    with records.write(LOCAL) as writer:
        writer.create({"resourceType": "Patient"})
    records.close()
    refused = run("demo", "--file", str(file))
    assert refused.exit_code == 1
    assert "holds other patients" in told(refused)


def test_no_record_is_made_by_looking_for_one(tmp_path: Path) -> None:
    file = tmp_path / "none.sqlite"
    refused = run("summary", "x", "--database", f"sqlite:///{file}")
    assert refused.exit_code == 1
    assert "`handrecord migrate` makes an empty one" in told(refused)
    assert not file.exists()


@pytest.mark.parametrize("value", ["[", '["https://app.clinic.example"'])
def test_a_setting_that_is_no_json_is_told(value: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HANDRECORD_CORS_ORIGINS", value)
    settings.load.cache_clear()
    refused = run("migrate")
    settings.load.cache_clear()
    assert refused.exit_code == 1
    assert "HANDRECORD_CORS_ORIGINS: The setting is not the JSON it must be" in told(refused)


def test_definitions_that_cannot_be_written_are_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    refused = run("schemas", str(tmp_path / "file" / "schemas"))
    assert refused.exit_code == 1
    assert "cannot be used" in told(refused)


def test_events_that_are_no_json_name_their_file(demo: tuple[str, Result], tmp_path: Path) -> None:
    url, _ = demo
    events = tmp_path / "events.json"
    events.write_text("{")
    refused = run("orthosis", "x", "--events", str(events), "--database", url)
    assert refused.exit_code == 1
    assert "events.json" in told(refused)
    assert "ends too early" in told(refused)


def test_a_summary_is_found_by_identifier_and_keeps_its_decimals(demo: tuple[str, Result]) -> None:
    url, _ = demo
    shown = run("summary", "|".join(SHOWN), "--json", "--database", url)
    assert shown.exit_code == 0, shown.output
    summary = json.loads(shown.output, parse_float=Decimal)
    assert summary["subject"].startswith("Patient/")
    assert summary["hands"][0]["digits"]["index"]


def test_a_patient_that_is_not_there_is_told_so(demo: tuple[str, Result]) -> None:
    url, _ = demo
    shown = run("summary", "https://nowhere.example|0", "--database", url)
    assert shown.exit_code == 1
    assert "No patient has this identifier" in told(shown)


def test_a_database_without_a_schema_names_the_command(tmp_path: Path) -> None:
    shown = run("summary", "1", "--database", f"sqlite:///{tmp_path / 'empty.sqlite'}")
    assert shown.exit_code == 1
    assert "handrecord migrate" in told(shown)


def test_migrating_makes_a_database_that_opens(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'new.sqlite'}"
    assert run("migrate", "--database", url).exit_code == 0
    assert run("migrate", "--database", url).exit_code == 0
    assert "There is no Patient/1" in told(run("summary", "1", "--database", url))


def test_a_dry_run_changes_nothing(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'dry.sqlite'}"
    run("migrate", "--database", url)
    dry = run("import", EXAMPLES / "clinic.json", "--create-patients", "--dry-run", "--database", url)
    assert dry.exit_code == 0, dry.output
    assert "dry run: nothing was changed" in told(dry)
    assert "6 Patient" in told(dry)
    real = run("import", EXAMPLES / "clinic.json", "--create-patients", "--database", url)
    assert "6 Patient" in told(real)


def test_refused_rows_are_named_and_the_exit_code_says_so(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'faults.sqlite'}"
    run("migrate", "--database", url)
    run("import", EXAMPLES / "clinic.json", "--create-patients", "--database", url)
    header = EXAMPLES / "readings.header.json"
    shown = run("import", EXAMPLES / "readings-with-faults.csv", "--header", header, "--database", url)
    assert shown.exit_code == 1
    assert "refused, line" in told(shown)
    assert "column" in told(shown)


def test_shorthand_is_shown_as_discrete_values() -> None:
    shown = run("shorthand", "R ring PIP AROM ext/flex 0-20-90 neutral-zero")
    assert shown.exit_code == 0, shown.output
    assert "Extension deficit, active" in told(shown)
    assert "20°" in told(shown)
    assert "90°" in told(shown)


def test_shorthand_that_could_mean_two_things_is_refused() -> None:
    shown = run("shorthand", "R ring PIP AROM -20/90")
    assert shown.exit_code == 1
    assert "convention" in told(shown)


def test_the_columns_of_a_kind_are_told() -> None:
    assert "`examiner`" in told(run("columns"))
    assert "`handle_position`" in told(run("columns", "grip-strength"))
    assert "`handle_position`" not in told(run("columns", "touch-threshold"))
    unknown = run("columns", "grip")
    assert unknown.exit_code == 1
    assert "is not a kind of measurement" in told(unknown)


def test_the_trail_of_the_demo_is_whole_and_names_its_heads(demo: tuple[str, Result]) -> None:
    url, _ = demo
    shown = run("audit", "verify", "--database", url)
    assert shown.exit_code == 0, shown.output
    assert "0 faults" in told(shown)
    assert "head of chain 0:" in told(shown)


def test_an_altered_trail_is_found(tmp_path: Path) -> None:
    file = tmp_path / "altered.sqlite"
    run("migrate", "--database", f"sqlite:///{file}")
    run("import", EXAMPLES / "clinic.json", "--create-patients", "--database", f"sqlite:///{file}")
    with sqlite3.connect(file) as connection:
        assert connection.execute("DELETE FROM event WHERE chain = 0 AND position = 3").rowcount == 1
    shown = run("audit", "verify", "--database", f"sqlite:///{file}")
    assert shown.exit_code == 1
    assert "fault:" in told(shown)


def test_repeatability_says_why_there_is_none(demo: tuple[str, Result]) -> None:
    url, _ = demo
    shown = run("repeatability", "--database", url)
    assert shown.exit_code == 0, shown.output
    assert json.loads(shown.output)["repeatability"] == []


def test_an_address_beyond_this_computer_is_refused(demo: tuple[str, Result]) -> None:
    url, _ = demo
    shown = run("serve", "--host", "0.0.0.0", "--database", url)
    assert shown.exit_code == 1
    assert "loopback" in told(shown)


def test_generated_files_are_fresh() -> None:
    assert run("schemas", ROOT / "schemas", "--check").exit_code == 0


def test_generated_files_are_written_where_they_are_wanted(tmp_path: Path) -> None:
    assert run("schemas", tmp_path, "--check").exit_code == 1
    assert run("schemas", tmp_path).exit_code == 0
    assert run("schemas", tmp_path, "--check").exit_code == 0
    (tmp_path / "openapi.json").write_text("{}")
    stale = run("schemas", tmp_path, "--check")
    assert stale.exit_code == 1
    assert "stale: openapi.json" in told(stale)
