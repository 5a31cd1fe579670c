"""The commands change, trend and phases: the same answers as over HTTP, as tables and as JSON."""

from __future__ import annotations

import json
from datetime import UTC, date
from decimal import Decimal
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service import settings
from service.commands import app, console
from service.domain.actor import LOCAL
from service.domain.anatomy import Site
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.precautions import Precaution
from service.storage.records import Records
from service.usecases import resources
from service.usecases.course_record import record_detail
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit

PIP = Site("right", "ring-pip")


@pytest.fixture(autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """So wide that no cell is broken into lines."""
    monkeypatch.setattr(console.out, "width", 300)


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


def told(*words: str) -> str:
    """What was printed, in one line: where the terminal breaks it does not matter."""
    result = run(*words)
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def arc(value: str) -> dict[str, str]:
    return {
        "kind": "joint-motion", "side": "right", "site": "ring-pip", "motion": "extension-flexion", "mode": "active",
        "orthosis_state": "free", "together": "alone", "value": value, "unit": "deg", "convention": "neutral-zero",
    }  # fmt: skip


@pytest.fixture(scope="module")
def url(_sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A record with one invented patient who gains about 3 degrees of extension a visit."""
    path = tmp_path_factory.mktemp("change") / "record.sqlite"
    path.write_bytes(_sqlite_template.read_bytes())
    records = Records.open(f"sqlite:///{path}")
    with records.write(LOCAL) as writer:
        resources.update(writer, LOCAL, {"resourceType": "Patient", "id": "made-up"})
        for n in range(10):
            said = {
                "patient": {"id": "made-up"},
                "when": f"2026-03-{2 + 3 * n:02}T09:30:00+01:00",
                "by": {"name": "A. Invented"},
                "readings": [arc(f"0-{45 - 3 * n}-{90 + n % 2}")],
            }
            record_visit(writer, LOCAL, visit_of(said, UTC))
        goal = Goal("wear a glove", "patient", "extension-deficit-active-free", PIP, Quantity(Decimal(10), "deg"),
                    better="less")  # fmt: skip
        record_detail(writer, LOCAL, "Patient/made-up", goal)
        precaution = Precaution("no load on the finger", "Dr Example", date(2026, 3, 1), (PIP,))
        record_detail(writer, LOCAL, "Patient/made-up", precaution)
    records.close()
    return f"sqlite:///{path}"


def test_change_as_a_table(url: str) -> None:
    shown = told("change", "made-up", "--database", url)
    assert "Headline: the measures of the goals on record" in shown
    assert "improved beyond error (13.6 deg)" in shown
    assert "1 of 2 single readings changed beyond error (1 better, 0 worse); error alone would show up to 0.1." in shown
    assert "Precaution in force, right PIP joint of the ring finger: no load on the finger (Dr Example)" in shown
    assert "they prescribe nothing" in shown


def test_trend_as_a_table_with_the_goal(url: str) -> None:
    shown = told("trend", "made-up", "--database", url, "--measure", "extension-position")
    assert "gaining" in shown
    assert "10 visits: +7 a week" in shown
    assert "Goal wear a glove (-10 deg): at this rate between 2026-" in shown
    assert "Lately, for 1 of 1 measures: the six weeks up to the last visit." in shown
    assert "correlated by up to 0.4" in shown


def test_phases_as_a_table(url: str) -> None:
    shown = told("phases", "made-up", "--database", url, "--site", "ring-pip", "--until", "2026-03-20")
    assert "no orthosis, 2026-03-02 on" in shown
    assert "median" in shown
    assert "Extension position" in shown


def test_the_same_as_json(url: str) -> None:
    for name in ("change", "trend", "phases"):
        result = run(name, "made-up", "--database", url, "--json")
        assert result.exit_code == 0, result.output
        assert json.loads(result.stdout)["subject"] == "Patient/made-up"


def test_nothing_measured_is_said(url: str) -> None:
    for name in ("change", "trend", "phases"):
        assert "No measure of this patient has a value here." in told(
            name, "made-up", "--database", url, "--site", "left-index-pip"
        )


def test_what_cannot_be_asked_is_refused(url: str) -> None:
    refused = run("change", "made-up", "--database", url, "--baseline", "the-worst")
    assert refused.exit_code == 1
    assert "is not a rule for a baseline" in " ".join(refused.output.split())


def test_the_clinics_own_error_and_rate_count(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = {
        "worthwhile": {"extension-position": {"amount": 20, "unit": "deg"}},
        "errors": [
            {"measure": "joint-motion", "sem": 12, "unit": "deg", "raters": "same", "population": "invented people",
             "method": "goniometer, dorsal", "source": "30 pairs of repeats, May 2026"}
        ],
    }  # fmt: skip
    file = tmp_path / "change.json"
    file.write_text(json.dumps(own))
    monkeypatch.setenv("HANDRECORD_CHANGE_FILE", str(file))
    settings.load.cache_clear()
    try:
        assert "within error (33.3 deg)" in told("change", "made-up", "--database", url)
    finally:
        monkeypatch.undo()
        settings.load.cache_clear()
