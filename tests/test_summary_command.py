"""A red flag that nobody has answered stands on top of what the commands print of a patient."""

from __future__ import annotations

import json
from dataclasses import replace

from typer.testing import CliRunner

from service.commands import app
from service.domain.actor import LOCAL
from service.domain.orthosis.episode import Check
from service.storage.records import Records
from service.usecases import orthoses
from tests.domain.orthosis.orthoses import episode, event, worn

FLAG = event("checked", 3, check=Check({"colour": "blue"}, red_flag=True), by_name="A. Invented")


def test_an_unanswered_red_flag_comes_first(sqlite_url: str) -> None:
    records = Records.open(sqlite_url)
    with records.write(LOCAL) as writer:
        patient = writer.create({"resourceType": "Patient"})
        made = replace(episode(event("fitted", 2), worn(2), FLAG), patient=patient.reference)
        told = orthoses.begin(writer, LOCAL, made)

    def shown(*words: str) -> str:
        result = CliRunner().invoke(app, ["summary", patient.id, "--database", sqlite_url, *words])
        assert result.exit_code == 0, result.output
        return result.output

    assert shown().startswith("Red flag, not answered: 2026-03-03 colour: blue")
    (flag,) = json.loads(shown("--json"))["red_flags"]
    assert (flag["number"], flag["by"]) == (3, "A. Invented")
    with records.write(LOCAL) as writer:
        answer = event("answered", 4, answers=3, by_name="A. Invented", note="cut in halves")
        orthoses.record(writer, LOCAL, told.episode.id, [answer])
    records.close()
    assert "Red flag" not in shown()
    assert json.loads(shown("--json"))["red_flags"] == []
