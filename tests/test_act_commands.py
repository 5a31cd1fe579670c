"""Signing a visit, carrying an act out and asking where a value went, from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from service.commands import app
from service.domain.actor import LOCAL
from service.storage.records import Records
from tests.usecases.acts.attached import grip, person, visit

RUNNER = CliRunner()


def run(*given: object, fails: bool = False) -> Any:
    """What a command prints as JSON; the text of it where it fails."""
    result = RUNNER.invoke(app, [str(each) for each in given])
    assert result.exit_code == (1 if fails else 0), result.output
    return result.output if fails else json.loads(result.stdout)


def test_a_visit_is_signed_corrected_and_its_value_followed(sqlite_url: str, tmp_path: Path) -> None:
    records = Records.open(sqlite_url)
    with records.write(LOCAL) as writer:
        person(writer, "made-up")
    first = visit(records, [grip("right", "20", "22", "21")], 2)
    records.close()
    database = ("--database", sqlite_url)
    signed = run("sign", first, *database)
    assert (signed["final"], len(signed["signed"])) == (True, 1)
    reading = signed["signed"][0]["resource"].removeprefix("Observation/")
    file = tmp_path / "act.json"
    file.write_text(json.dumps({"act": "correct-side", "visit": first, "reason": "The left hand was measured."}))
    looked = run("act", file, *database)
    assert looked["dry_run"] is True
    done = run("act", file, "--seen", looked["seen"], *database)
    assert done["provenance"] == f"Provenance/{done['id']}"
    told = run("affected", reading, *database)
    how = [part["valueString"] for each in told["parameter"] for part in each.get("part", ()) if part["name"] == "how"]
    assert sorted(how) == ["provenance", "provenance", "replacement"]
    assert "no longer what was seen" in " ".join(run("act", file, "--seen", "0", *database, fails=True).split())
