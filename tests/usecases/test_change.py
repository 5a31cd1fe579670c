"""Change, trend and phases from the record: who may, what was seen, and what the record adds to the readings."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor
from service.domain.anatomy import PartState, Site
from service.domain.course import Course
from service.errors import Forbidden, Malformed, NotFound
from service.storage.records import Records
from service.usecases import resources
from service.usecases.change import Asked, patient_change, patient_phases, patient_trend
from service.usecases.change_clinic import ChangeRules
from service.usecases.courses import open_course, record_state
from service.usecases.doors import watched
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit

TODAY = date(2026, 4, 1)
JOBS = (patient_change, patient_trend, patient_phases)


def arc(value: str, side: str = "right", **more: str) -> dict[str, str]:
    return {
        "kind": "joint-motion", "side": side, "site": "ring-pip", "motion": "extension-flexion", "mode": "active",
        "orthosis_state": "free", "together": "alone", "value": value, "unit": "deg", "convention": "neutral-zero",
        **more,
    }  # fmt: skip


@pytest.fixture
def visit(sqlite_records: Records) -> Callable[..., None]:
    """To write down a visit of an invented patient whose left hand serves as reference."""
    with sqlite_records.write(LOCAL) as writer:
        resources.update(writer, LOCAL, {"resourceType": "Patient", "id": "made-up"})
        open_course(writer, LOCAL, Course("Patient/made-up", date(2026, 2, 1), ("right",), "left", "right"))

    def record(day: int, *readings: dict[str, str]) -> None:
        said = {
            "patient": {"id": "made-up"}, "when": f"2026-03-{day:02}T09:30:00+01:00", "by": {"name": "A. Invented"},
            "readings": [*readings],
        }  # fmt: skip
        with sqlite_records.write(LOCAL) as writer:
            record_visit(writer, LOCAL, visit_of(said, UTC))

    return record


def asked(records: Records, job: Any, who: Actor = LOCAL, patient: str = "made-up", **more: Any) -> Any:
    with records.read() as reader:
        return job(reader, who, patient, Asked(**more), ChangeRules(), TODAY)


@pytest.mark.parametrize("job", JOBS)
@pytest.mark.usefixtures("visit")
def test_who_may_not_see_measurements_sees_no_change(sqlite_records: Records, job: Any) -> None:
    for role in ("front-desk", "biller", "researcher", ""):
        with pytest.raises(Forbidden):
            asked(sqlite_records, job, Actor("x", "Xaver Invented", role))
    assert asked(sqlite_records, job, Actor("x", "Xaver Invented", "clinician")).subject == "Patient/made-up"
    with pytest.raises(NotFound):
        asked(sqlite_records, job, patient="nobody")


@pytest.mark.parametrize("job", JOBS)
@pytest.mark.usefixtures("visit")
def test_what_was_shown_of_whom_is_remembered(sqlite_records: Records, job: Any) -> None:
    with watched() as visitors:
        asked(sqlite_records, job)
    passage = visitors.passages[0]
    assert (passage.act, passage.outcome, list(passage.patients)) == ("change", "0", ["made-up"])


@pytest.mark.parametrize("job", JOBS)
@pytest.mark.usefixtures("visit")
def test_a_rule_that_is_none_is_refused_before_anything_is_read(sqlite_records: Records, job: Any) -> None:
    with watched() as visitors, pytest.raises(Malformed, match="not a rule"):
        asked(sqlite_records, job, baseline="the-best")
    assert visitors.passages == []


def test_the_other_hand_is_a_ceiling_where_a_clinician_marked_it(
    sqlite_records: Records, visit: Callable[..., None]
) -> None:
    visit(2, arc("0-10-60"), arc("0-0-70", "left"))
    visit(9, arc("0-5-68"))
    found = asked(sqlite_records, patient_trend, measure="flexion-position").answer
    right = next(each for each in found if each.trajectory.site.side == "right")
    assert right.standing.answer == "at-ceiling"
    assert right.standing.ceiling.what == "the other hand, marked as its reference by a clinician"
    left = next(each for each in found if each.trajectory.site.side == "left")
    assert left.standing.answer == "cannot-be-told"


def test_readings_of_a_part_that_was_then_fused_are_not_used(
    sqlite_records: Records, visit: Callable[..., None]
) -> None:
    visit(2, arc("0-10-60"))
    visit(9, arc("0-5-68"))
    with sqlite_records.write(LOCAL) as writer:
        state = PartState(Site("right", "ring-pip"), "fused", date(2026, 3, 5))
        record_state(writer, LOCAL, "Patient/made-up", state)
    (found,) = asked(sqlite_records, patient_change, measure="flexion-position").answer.changes
    assert [p.value for p in found.trajectory.points] == [60]
    assert found.trajectory.left_out[0].because.rule == "part-absent"
    assert found.change.verdict == "cannot-be-told"


def test_before_and_after_treatment_of_one_visit_are_two_lines(
    sqlite_records: Records, visit: Callable[..., None]
) -> None:
    visit(2, arc("0-10-60", treatment="before"), arc("0-5-66", treatment="after"))
    visit(9, arc("0-10-62", treatment="before"))
    found = asked(sqlite_records, patient_change, measure="flexion-position").answer.changes
    assert [(c.trajectory.conditions["treatment"], len(c.trajectory.points)) for c in found] == [
        ("before", 2),
        ("after", 1),
    ]


def test_the_last_day_looked_at_hides_what_came_later(sqlite_records: Records, visit: Callable[..., None]) -> None:
    for day in (2, 9, 16):
        visit(day, arc(f"0-10-{60 + day}"))
    (found,) = asked(sqlite_records, patient_change, measure="flexion-position", until=date(2026, 3, 9)).answer.changes
    assert found.change.amount == 7
    (found,) = asked(sqlite_records, patient_phases, measure="flexion-position", until=date(2026, 3, 9)).answer
    assert [phase.visits for phase in found.phases] == [2]
