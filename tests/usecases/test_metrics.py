"""Metrics read from the record, and stored as derived Observations that follow their readings."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor
from service.domain.course import Course
from service.domain.metric import Parameters
from service.errors import Forbidden, Gone, NotFound
from service.fhir.derived import CATEGORY, is_derived
from service.fhir.text import Json
from service.storage.records import Records
from service.usecases import resources
from service.usecases.courses import open_course
from service.usecases.metrics import derive, metrics_of, metrics_of_visit, repeatability_of, store_derived
from service.usecases.summaries import summary_of
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit

NOW = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
ARCS = {"right": ("0-0-80", "0-20-90", "0-0-60"), "left": ("0-0-90", "0-0-100", "0-0-70")}


def arc(side: str, joint: str, text: str, **more: str) -> Json:
    return {
        "kind": "joint-motion", "side": side, "site": f"index-{joint}", "motion": "extension-flexion",
        "mode": "active", "orthosis_state": "free", "together": "together", "value": text, "unit": "deg",
        "convention": "neutral-zero", **more,
    }  # fmt: skip


def grip(side: str, trials: list[str], **more: str) -> Json:
    return {
        "kind": "grip-strength", "side": side, "site": "hand", "trials": trials, "unit": "kgf", "handle_position": "2",
        "posture": "seated-elbow-90", "orthosis_state": "free", **more,
    }  # fmt: skip


def whole_visit() -> list[Json]:
    arcs = [
        arc(side, joint, text)
        for side, texts in ARCS.items()
        for joint, text in zip(("mcp", "pip", "dip"), texts, strict=True)
    ]
    return [*arcs, grip("right", ["20", "22", "21"]), grip("left", ["40", "41", "42"])]


class Clinic:
    """An invented patient in a record, and what happens to them."""

    def __init__(self, records: Records) -> None:
        self.records = records
        person = {"resourceType": "Patient", "id": "made-up", "gender": "female", "birthDate": "1990-05-01"}
        with records.write(LOCAL) as writer:
            resources.update(writer, LOCAL, person)
            open_course(writer, LOCAL, Course("Patient/made-up", date(2026, 2, 1), ("right",), "left", "right"))

    def visit(self, readings: list[Json], day: int = 2) -> str:
        said = {
            "patient": {"id": "made-up"},
            "when": f"2026-03-{day:02}T09:30:00+01:00",
            "by": {"name": "A. Invented"},
            "readings": readings,
        }
        with self.records.write(LOCAL) as writer:
            return record_visit(writer, LOCAL, visit_of(said, UTC)).encounter.id

    def read(self, job: Any, *more: Any, **named: Any) -> Any:
        with self.records.read() as reader:
            return job(reader, LOCAL, *more, **named)

    def store(self) -> dict[str, list[Json]]:
        """Store what is derived; by outcome, what was written."""
        with self.records.write(LOCAL) as writer:
            written = store_derived(writer, LOCAL, "made-up", now=lambda: NOW)
        found: dict[str, list[Json]] = {}
        for each in written:
            found.setdefault(each.outcome, []).append(each.stored.resource)
        return found

    def derived(self) -> list[Json]:
        with self.records.read() as reader:
            found = [s.resource for s in reader.of_patient("made-up", "Observation")]
        return [r for r in found if is_derived(r)]


@pytest.fixture
def clinic(sqlite_records: Records) -> Clinic:
    return Clinic(sqlite_records)


def code_of(resource: Json) -> str:
    return str(resource["code"]["coding"][0]["code"])


def test_every_result_of_a_patient_comes_with_the_persons_context(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    found = clinic.read(metrics_of, "made-up")
    assert found.subject == "Patient/made-up"
    assert (found.parameters.sex, found.parameters.born) == ("female", date(1990, 5, 1))
    assert found.parameters.reference_for == {"right"}
    percent = next(r for r in found.results if r.metric == "percent-of-reference" and r.site.side == "right")
    assert round(percent.number, 2) == Decimal("80.77")
    assert {r.metric for r in found.results} >= {"total-active-motion", "grip-ratio", "strickland-grade"}


@pytest.mark.parametrize("birth", ["1990-05", ""])
def test_an_age_needs_a_whole_date_of_birth(clinic: Clinic, birth: str) -> None:
    clinic.visit(whole_visit())
    with clinic.records.write(LOCAL) as writer:
        person = {"resourceType": "Patient", "id": "made-up", "gender": "female"}
        resources.update(writer, LOCAL, {**person, **({"birthDate": birth} if birth else {})})
    asked = Parameters(norm="grip-us-1985")
    found = clinic.read(metrics_of, "made-up", "grip-z-score", asked)
    assert {r.value.rule for r in found.results} == {"person-unknown"}


def test_one_metric_by_its_name(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    asked = Parameters(norm="grip-us-1985")
    found = clinic.read(metrics_of, "made-up", "grip-z-score", asked)
    assert {r.metric for r in found.results} == {"grip-z-score"}
    assert all(not r.is_missing for r in found.results)
    with pytest.raises(NotFound, match="no metric called"):
        clinic.read(metrics_of, "made-up", "grip-of-nobody")


def test_results_of_one_visit_are_of_that_visit(clinic: Clinic) -> None:
    clinic.visit(whole_visit(), 2)
    second = clinic.visit([grip("right", ["25", "25", "25"])], 9)
    found = clinic.read(metrics_of_visit, second)
    assert {r.visit for r in found.results} == {f"Encounter/{second}"}
    ratio = next(r for r in found.results if r.metric == "grip-ratio")
    assert "reference side measured on 2026-03-02" in ratio.notes


def test_what_is_not_there_is_said_so(clinic: Clinic) -> None:
    for job, ident in ((metrics_of, "nobody"), (metrics_of_visit, "none"), (derive, "nobody")):
        with pytest.raises(NotFound):
            clinic.read(job, ident)


def test_readings_entered_in_error_make_no_result(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    with clinic.records.write(LOCAL) as writer:
        for stored in list(writer.of_patient("made-up", "Observation")):
            wrong = {k: v for k, v in stored.resource.items() if k != "meta"} | {
                "meta": {"profile": stored.resource["meta"]["profile"]},
                "status": "entered-in-error",
            }
            resources.update(writer, LOCAL, wrong)
    assert clinic.read(metrics_of, "made-up").results == ()


def test_deriving_shows_and_stores_nothing(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    shown = clinic.read(derive, "made-up")
    assert shown
    assert clinic.derived() == []
    for resource in shown:
        resources.require_lawful(resource)
        assert is_derived(resource)
        assert resource["derivedFrom"]
        assert all("/_history/" in each["reference"] for each in resource["derivedFrom"])
        assert "dataAbsentReason" not in resource
        assert "Source:" in resource["method"]["text"]
        assert any("measurement error" in note["text"] for note in resource["note"])
        assert resource["status"] == "preliminary"
    assert {"strickland-adjusted-grade", "grip-z-score"}.isdisjoint(map(code_of, shown))


def test_a_composite_observation_states_each_of_its_joints(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    for resource in clinic.read(derive, "made-up"):
        if code_of(resource) in ("total-active-motion", "percent-of-reference", "total-motion-grade"):
            stated = [c["code"].get("text", "") for c in resource["component"]]
            side = resource["bodySite"]["coding"][0]["code"].partition("-")[0]
            for joint in ("MCP", "PIP", "DIP"):
                assert any(f"{side} {joint} joint of the index finger" in text for text in stated), stated


def test_what_is_derived_is_stored_once_with_its_provenance(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    first = clinic.store()
    provenance = [r for r in first["created"] if r["resourceType"] == "Provenance"]
    observations = [r for r in first["created"] if r["resourceType"] == "Observation"]
    assert len(provenance) == 1
    assert {t["reference"] for t in provenance[0]["target"]} == {f"Observation/{r['id']}" for r in observations}
    assert provenance[0]["agent"][0]["who"]["display"] == LOCAL.name
    assert len(clinic.derived()) == len(observations) == len(clinic.read(derive, "made-up"))
    again = clinic.store()
    assert set(again) == {"unchanged"}


def test_a_changed_reading_gives_a_new_version_at_once(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    clinic.store()
    before = {r["id"]: r for r in clinic.derived()}
    with clinic.records.write(LOCAL) as writer:
        for stored in list(writer.of_patient("made-up", "Observation")):
            value = stored.resource.get("valueQuantity", {})
            if not is_derived(stored.resource) and value.get("value") == 80:
                resources.update(writer, LOCAL, {**stored.resource, "valueQuantity": {**value, "value": Decimal(70)}})
    changed = {r["id"]: r for r in clinic.derived() if r != before[r["id"]]}
    assert set(clinic.store()) == {"unchanged"}
    total = next(r for r in changed.values() if code_of(r) == "total-active-motion")
    assert before[total["id"]]["valueQuantity"]["value"] == 210
    assert total["valueQuantity"]["value"] == 200
    assert total["meta"]["versionId"] == "2"
    assert {code_of(r) for r in changed.values()}.isdisjoint({"grip-summary"})


def test_a_result_without_its_readings_is_marked_as_an_error_with_the_reason(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    clinic.store()
    with clinic.records.write(LOCAL) as writer:
        for stored in list(writer.of_patient("made-up", "Observation")):
            resource = stored.resource
            if not is_derived(resource) and "grip-strength-right" in code_of(resource):
                resources.update(writer, LOCAL, {**resource, "status": "entered-in-error"})
    retired = [r for r in clinic.derived() if r["status"] == "entered-in-error"]
    assert {"grip-summary", "grip-ratio"} <= {code_of(r) for r in retired}
    assert all("no longer" in r["note"][-1]["text"] for r in retired)
    assert set(clinic.store()) == {"unchanged"}


def test_what_is_derived_is_no_reading(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    before = clinic.read(metrics_of, "made-up")
    clinic.store()
    after = clinic.read(metrics_of, "made-up")
    assert after.results == before.results
    assert after.not_used == {}
    assert clinic.read(summary_of, "made-up").not_used == {}


def test_two_tests_alike_at_one_visit_are_two_observations(clinic: Clinic) -> None:
    clinic.visit([grip("right", ["20", "20"], instrument="one"), grip("right", ["20", "20"], instrument="two")])
    made = [r for r in clinic.read(derive, "made-up") if code_of(r) == "grip-summary"]
    assert len({r["id"] for r in made}) == 2


def test_who_may_not_write_provenance_may_look_and_not_store(clinic: Clinic) -> None:
    clinic.visit(whole_visit())
    student = Actor("s", "Student", "student")
    with clinic.records.read() as reader:
        assert derive(reader, student, "made-up")
    with clinic.records.write(student) as writer, pytest.raises(Forbidden):
        store_derived(writer, student, "made-up")
    for role in ("front-desk", "biller", "researcher", "auditor", "administrator"):
        with clinic.records.read() as reader, pytest.raises(Forbidden):
            metrics_of(reader, Actor("x", "X", role), "made-up")


def test_a_deleted_patient_has_no_metrics(clinic: Clinic) -> None:
    with clinic.records.write(LOCAL) as writer:
        resources.update(writer, LOCAL, {"resourceType": "Patient", "id": "other"})
        resources.delete(writer, LOCAL, "Patient", "other")
    with pytest.raises(Gone):
        clinic.read(metrics_of, "other")


def test_the_clinics_own_error_comes_from_all_patients(clinic: Clinic) -> None:
    pytest.importorskip("scipy.stats", reason="scipy, which the interval rests on, is not installed")
    for day in range(1, 13):
        clinic.visit([grip("right", [str(20 + day % 3)]), grip("right", [str(21 + day % 2)], repeat="second")], day)
    (found,) = clinic.read(repeatability_of)
    assert found.groups == 12
    assert found.estimate.unit == "kgf"
    nobody = replace(LOCAL, role="front-desk")
    with clinic.records.read() as reader, pytest.raises(Forbidden):
        repeatability_of(reader, nobody)


def test_the_category_is_our_own() -> None:
    assert CATEGORY.endswith("/CodeSystem/observation-category")
