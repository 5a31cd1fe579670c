"""The commands about billing, on an invented record."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from service.commands import app
from service.domain.actor import LOCAL
from service.storage.records import Records
from service.usecases import billing
from service.usecases.billing import Wish
from tests.usecases.test_billing import LINE, SHIPPED, covered, ready


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def record(sqlite_url: str) -> tuple[str, str]:
    """The address of a record, and an episode in it that is ready."""
    records = Records.open(sqlite_url)
    ident = ready(records, covered(records))
    records.close()
    return sqlite_url, ident


def confirm(url: str, ident: str) -> None:
    records = Records.open(url)
    with records.write(LOCAL) as writer:
        version = billing.look_at(writer, LOCAL, SHIPPED, ident).version
        billing.confirm(writer, LOCAL, SHIPPED, ident, Wish(version, (LINE,)))
    records.close()


def test_the_worklist_says_what_is_there_and_who_decides(record: tuple[str, str]) -> None:
    url, ident = record
    shown = " ".join(run("billing", "worklist", "--database", url).output.split())
    assert "ready: " in shown
    assert "Local payer rules and licensed practice decide" in shown
    found: dict[str, Any] = json.loads(run("billing", "worklist", "--json", "--database", url).output)
    assert [each["id"] for each in found["episodes"]] == [ident]
    assert "no episode to bill" in run("billing", "worklist", "--state", "void", "--database", url).output
    for since, count in (("2026-03-01", 1), ("2026-03-02", 0)):
        shown = run("billing", "worklist", "--since", since, "--json", "--database", url).output
        assert len(json.loads(shown)["episodes"]) == count
    assert run("billing", "worklist", "--since", "March", "--database", url).exit_code == 1
    refused = run("billing", "worklist", "--state", "lost", "--database", url)
    assert (refused.exit_code, "known-answer" in refused.output or "lost" in refused.output) == (1, True)


def test_an_export_is_two_files_and_can_be_given_again(record: tuple[str, str], tmp_path: Path) -> None:
    url, ident = record
    assert run("billing", "export", tmp_path / "none", "--database", url).exit_code == 1
    confirm(url, ident)
    assert "1 charges, 0 reversals" in run("billing", "export", tmp_path / "one", "--database", url).output
    first = sorted((tmp_path / "one").iterdir())
    assert [path.suffix for path in first] == [".csv", ".json"]
    (line,) = csv.DictReader(first[0].read_text().splitlines())
    assert line["code"] == "L3913"
    export = first[0].stem.removeprefix("charges-")
    again = run("billing", "export", tmp_path / "two", "--again", export, "--database", url)
    assert again.exit_code == 0, again.output
    assert [p.read_bytes() for p in sorted((tmp_path / "two").iterdir())] == [p.read_bytes() for p in first]
    assert run("billing", "export", tmp_path / "three", "--database", url).exit_code == 1
