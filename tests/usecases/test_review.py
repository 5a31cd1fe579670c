"""Acknowledging a review point: who may, what is written, and that nothing is written twice."""

from __future__ import annotations

from datetime import UTC, date
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor
from service.errors import Forbidden, NotFound
from service.fhir.acknowledgement import ACT, from_acknowledgement
from service.fhir.validation import issues_of
from service.storage.records import Records
from service.storage.stored import Stored
from service.usecases import resources
from service.usecases.change import Asked
from service.usecases.change_clinic import ChangeRules
from service.usecases.doors import watched
from service.usecases.review import acknowledge, review_points
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit

from .test_change import arc

TODAY = date(2026, 5, 1)
CLINICIAN = Actor("c-1", "Cleo Invented", "clinician")


@pytest.fixture
def mark(sqlite_records: Records) -> str:
    """The mark of the one point of an invented patient: a gain in an orthosis that is not there free."""
    with sqlite_records.write(LOCAL) as writer:
        resources.update(writer, LOCAL, {"resourceType": "Patient", "id": "made-up"})
        resources.update(writer, LOCAL, {"resourceType": "Patient", "id": "other"})
        for day, inside, free in ((2, 40, 40), (30, 75, 42)):
            said = {
                "patient": {"id": "made-up"}, "when": f"2026-03-{day:02}T09:30:00+01:00", "by": {"name": "A. Invented"},
                "readings": [arc(f"0-0-{inside}", orthosis_state="in-orthosis"), arc(f"0-0-{free}")],
            }  # fmt: skip
            record_visit(writer, LOCAL, visit_of(said, UTC))
    (point,) = shown(sqlite_records).answer.points
    return point.mark


def shown(records: Records, who: Actor = LOCAL, patient: str = "made-up") -> Any:
    with records.read() as reader:
        return review_points(reader, who, patient, Asked(), ChangeRules(), TODAY)


def seen(records: Records, mark: str, who: Actor = CLINICIAN, patient: str = "made-up", note: str = "") -> Stored:
    with records.write(who) as writer:
        return acknowledge(writer, who, patient, mark, note, ChangeRules(), TODAY)


def test_what_is_written_is_a_valid_provenance_by_that_person(sqlite_records: Records, mark: str) -> None:
    stored = seen(sqlite_records, mark, note=" talked over ")
    assert [issue for issue in issues_of(stored.resource) if issue.severity != "information"] == []
    told = from_acknowledgement(stored.resource)
    assert told is not None
    assert (told.mark, told.by, told.note) == (mark, "Cleo Invented", "talked over")
    entities = stored.resource["entity"]
    assert "does not carry over" in entities[0]["what"]["display"]
    assert len(entities) == 1 + 4, "two readings in the orthosis and two free"
    assert stored.patient == "made-up"


def test_the_same_again_writes_nothing(sqlite_records: Records, mark: str) -> None:
    first = seen(sqlite_records, mark)
    again = seen(sqlite_records, mark, Actor("c-2", "Dana Invented", "clinician"), note="me too")
    assert (again.id, again.version) == (first.id, 1)
    assert [told.by for told in shown(sqlite_records).acknowledged] == ["Cleo Invented"]


def test_a_point_is_acknowledged_by_a_named_person(sqlite_records: Records, mark: str) -> None:
    """A program sees no patient; somebody whose entries another signs, or who may not see the chart, has no say."""
    for who in (
        Actor("p-1", "A program", "system"), Actor("c-1", " ", "clinician"), Actor("s-1", "Sam Invented", "student"),
        Actor("f-1", "Fay Invented", "front-desk"), Actor("b-1", "Ben Invented", "biller"), Actor("x", "Xaver", ""),
    ):  # fmt: skip
        with pytest.raises(Forbidden):
            seen(sqlite_records, mark, who)
    assert shown(sqlite_records).acknowledged == ()
    for role in ("front-desk", "biller", "researcher", "auditor", "administrator", ""):
        with pytest.raises(Forbidden):
            shown(sqlite_records, Actor("x", "Xaver Invented", role))


def test_the_mark_of_one_patient_is_none_of_another(sqlite_records: Records, mark: str) -> None:
    with pytest.raises(NotFound):
        seen(sqlite_records, mark, patient="other")
    seen(sqlite_records, mark)
    with pytest.raises(NotFound):
        seen(sqlite_records, mark, patient="other")
    assert shown(sqlite_records, patient="other").answer.quiet == 0


def test_the_trail_tells_who_looked_and_who_acknowledged(sqlite_records: Records, mark: str) -> None:
    with watched() as visitors:
        shown(sqlite_records)
        seen(sqlite_records, mark)
    told = [(p.act, p.outcome, list(p.patients)) for p in visitors.passages]
    assert ("review", "0", ["made-up"]) in told
    assert (ACT, "0", ["made-up"]) in told


def test_a_provenance_of_anything_else_acknowledges_nothing(sqlite_records: Records, mark: str) -> None:
    made = seen(sqlite_records, mark).resource
    assert from_acknowledgement({**made, "activity": {"text": "seen"}}) is None
    assert from_acknowledgement({**made, "entity": made["entity"][1:]}) is None
