"""Response to the orthosis, course in short, nerves and review points as commands: the same answers, printed."""

from __future__ import annotations

import json
from datetime import UTC, date
from decimal import Decimal
from pathlib import Path

import pytest

from service import settings
from service.commands import console
from service.domain.actor import LOCAL
from service.domain.anatomy import Site
from service.domain.course import Course, Operation
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.storage.records import Records
from service.usecases import resources
from service.usecases.course_record import record_detail
from service.usecases.courses import open_course
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit

from .test_change import arc, run, told

NAMES = ("orthosis-response", "course-summary", "nerve-follow-up", "review-points")
VISITS = ((2, 40, 40), (12, 58, 41), (30, 75, 42))


@pytest.fixture(autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """So wide that no cell is broken into lines."""
    monkeypatch.setattr(console.out, "width", 400)


def sign(cm: int) -> dict[str, str]:
    return {"kind": "advancing-nerve-sign", "side": "right", "site": "median-nerve", "value": str(cm), "unit": "cm",
            "nerve_landmark": "the repair"}  # fmt: skip


def pattern(code: str) -> dict[str, str]:
    return {"kind": "movement-pattern", "side": "right", "site": "ring", "pattern": "start-of-flexion", "value": code}


@pytest.fixture
def url(_sqlite_template: Path, tmp_path: Path) -> str:
    """One invented patient: a gain in an orthosis that is not there free, and a repaired nerve."""
    path = tmp_path / "record.sqlite"
    path.write_bytes(_sqlite_template.read_bytes())
    records = Records.open(f"sqlite:///{path}")
    with records.write(LOCAL) as writer:
        resources.update(writer, LOCAL, {"resourceType": "Patient", "id": "made-up"})
        resources.update(writer, LOCAL, {"resourceType": "Patient", "id": "empty"})
        open_course(writer, LOCAL, Course("Patient/made-up", date(2026, 3, 1), ("right",), reason="stiff finger"))
        repair = Operation("suture of the median nerve", "right", date(2026, 2, 20), nerve_level="wrist")
        record_detail(writer, LOCAL, "Patient/made-up", repair)
        goal = Goal("make a fist", "patient", "flexion-active-free", Site("right", "ring-pip"),
                    Quantity(Decimal(60), "deg"), due=date(2026, 3, 20))  # fmt: skip
        record_detail(writer, LOCAL, "Patient/made-up", goal)
        for n, (day, inside, free) in enumerate(VISITS):
            said = {
                "patient": {"id": "made-up"}, "when": f"2026-03-{day:02}T09:30:00+01:00", "by": {"name": "A. Invented"},
                "readings": [{**arc(f"0-0-{inside}"), "orthosis_state": "in-orthosis"}, arc(f"0-0-{free}"), sign(n + 1),
                             pattern("mcp-first" if n else "dip-first")],
            }  # fmt: skip
            record_visit(writer, LOCAL, visit_of(said, UTC))
    records.close()
    return f"sqlite:///{path}"


def test_the_response_to_the_orthosis(url: str) -> None:
    shown = told("orthosis-response", "made-up", "--database", url)
    assert "does not carry over: the whole is ruled out, a share of none is not" in shown
    assert "for 3 of 3 readings in an orthosis none is on record as worn that day" in shown
    assert "state of the orthosis not recorded: DIP joint first to MCP joint first" in shown
    assert "they prescribe nothing" in shown
    assert "Movement" not in told("orthosis-response", "made-up", "--database", url, "--measure", "flexion-position")


def test_the_course_in_short(url: str) -> None:
    shown = told("course-summary", "made-up", "--database", url, "--until", "2026-03-30")
    assert "Course: stiff finger" in shown
    assert "In it: 2026-03-01 to 2026-03-30, 3 visits, 0.7 a week" in shown
    assert "Before it: no visit with a reading" in shown
    assert "make a fist (60): At no visit so far." in shown
    whole = told("course-summary", "made-up", "--database", url, "--measure", "flexion-position")
    assert "improved beyond error since the first visit of the course: 58 on 2026-03-12, 10 days" in whole


def test_nerves(url: str) -> None:
    shown = told("nerve-follow-up", "made-up", "--database", url)
    assert "suture of the median nerve, 2026-02-20, wrist:" in shown
    assert "mm a day, without an interval" in shown
    assert "No zone of this nerve has a touch threshold on record." in shown


def test_points_are_shown_with_their_marks_and_acknowledged_by_them(url: str) -> None:
    answer = json.loads(run("review-points", "made-up", "--database", url, "--json").stdout)
    points = answer["answer"]["points"]
    assert [point["rule"] for point in points] == ["does-not-carry-over", "goal-day-passed"]
    shown = told("review-points", "made-up", "--database", url)
    assert all(f"{point['mark']} " in shown for point in points)
    mark = points[0]["mark"]
    seen = told("review-points", "made-up", "--database", url, "--acknowledge", mark, "--note", "talked over")
    assert "Acknowledged: Provenance/" in seen
    assert "1 not shown: acknowledged" in seen
    again = json.loads(run("review-points", "made-up", "--database", url, "--json").stdout)
    assert again["acknowledged"][0]["note"] == "talked over"
    assert [point["rule"] for point in again["answer"]["points"]] == ["goal-day-passed"]
    refused = run("review-points", "made-up", "--database", url, "--acknowledge", "0000")
    assert refused.exit_code == 1
    assert "No review point of this patient has this mark now" in " ".join(refused.output.split())


def test_as_many_points_as_the_clinic_set(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "change.json"
    file.write_text(json.dumps({"review_points": 1}))
    monkeypatch.setenv("HANDRECORD_CHANGE_FILE", str(file))
    settings.load.cache_clear()
    try:
        assert "1 not shown: beyond the number shown at once" in told("review-points", "made-up", "--database", url)
    finally:
        monkeypatch.undo()
        settings.load.cache_clear()


@pytest.mark.parametrize("name", NAMES)
def test_the_same_as_json_and_nothing_as_nothing(url: str, name: str) -> None:
    result = run(name, "made-up", "--database", url, "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["subject"] == "Patient/made-up"
    shown = told(name, "empty", "--database", url)
    assert any(word in shown for word in ("Nothing of this patient", "No measure", "No repair", "nothing to point at"))
