"""Studies, cohorts and releases: who may, what is counted, what leaves, and that it can be had again."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor
from service.domain.study import Study
from service.errors import Conflict, Forbidden, Invalid
from service.fhir import text
from service.fhir.validation import issues_of
from service.storage.records import Records
from service.storage.research import Kept
from service.usecases.cohorts import Counted, count, define, members
from service.usecases.releases import (
    Wish,
    corrections_of,
    file_of,
    make_release,
    release_of,
    resources_of,
)
from service.usecases.studies import close_study, open_study, studies

MARK = "ZZ-INVENTED-MARK"
OFFICER = Actor("officer", "Olga Invented", "administrator")
RESEARCHER = Actor("researcher-1", "Rita Invented", "researcher")
STRANGER = Actor("researcher-2", "Sven Invented", "researcher")
TOMORROW = datetime.now(UTC).date() + timedelta(days=1)
WANTED = Study(
    id="", title="Invented study", approval="EC-2026-1", purpose="stiff fingers", consent_basis="broad consent",
    profile="S", agreement="", expires=TOMORROW, researchers=("researcher-1",), quasi=("gender",), k=3,
    opened_by="", opened_at=datetime.now(UTC),
)  # fmt: skip


def height(patient: str, day: str) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "8302-2"}], "text": MARK},
        "subject": {"reference": f"Patient/{patient}", "display": MARK},
        "effectiveDateTime": f"{day}T09:30:00+01:00",
        "note": [{"text": MARK}],
        "valueQuantity": {"value": 171, "unit": MARK, "system": "http://unitsofmeasure.org", "code": "cm"},
    }


@pytest.fixture
def clinic(records: Records) -> Records:
    """Eight invented patients with a mark wherever people write; the last has no reading."""
    with records.write(LOCAL) as writer:
        for number in range(8):
            patient = {
                "resourceType": "Patient",
                "identifier": [{"system": "https://clinic.example/file", "value": f"{MARK}-{number}"}],
                "name": [{"family": MARK}],
                "gender": "female" if number < 4 else "male",
                "birthDate": f"19{50 + number}-03-02",
            }
            ident = writer.create(patient, id=f"{MARK}-{number}").id
            for day in ("2026-03-02", "2026-03-09") if number < 7 else ():
                writer.create(height(ident, day))
    return records


def opened(records: Records, **changed: Any) -> Study:
    with records.write(OFFICER) as writer:
        return open_study(writer, OFFICER, replace(WANTED, **changed))


def cohort_of(records: Records, study: Study, *criteria: tuple[str, str]) -> str:
    with records.write(RESEARCHER) as writer:
        return define(writer, RESEARCHER, study.id, criteria).id


def released(records: Records, study: Study, cohort: str, **wish: Any) -> Kept:
    with records.write(RESEARCHER) as writer:
        return make_release(writer, RESEARCHER, study.id, Wish(cohort, **wish))


def files(records: Records, made: Kept) -> dict[str, bytes]:
    with records.read() as reader:
        return {each["name"]: file_of(reader, RESEARCHER, made.id, each["name"]) for each in made.manifest["files"]}


def test_a_study_is_for_those_named_in_it_and_until_it_ends(clinic: Records) -> None:
    study = opened(clinic)
    with clinic.read() as reader:
        assert [one.id for one in studies(reader, RESEARCHER)] == [study.id]
        assert studies(reader, STRANGER) == []
    with clinic.write(STRANGER) as writer, pytest.raises(Forbidden):
        count(writer, STRANGER, study.id, [])
    with clinic.write(RESEARCHER) as writer, pytest.raises(Forbidden):
        open_study(writer, RESEARCHER, WANTED)
    made = released(clinic, study, cohort_of(clinic, study))
    with clinic.write(OFFICER) as writer:
        close_study(writer, OFFICER, study.id)
    with clinic.write(RESEARCHER) as writer, pytest.raises(Conflict, match="closed"):
        count(writer, RESEARCHER, study.id, [])
    with clinic.read() as reader, pytest.raises(Conflict, match="closed"):
        release_of(reader, RESEARCHER, made.id)


def test_an_expired_permission_lets_nothing_leave(clinic: Records) -> None:
    study = opened(clinic)
    with clinic.write(OFFICER) as writer:
        document = writer.research.study(study.id) | {"expires": "2026-01-01"}
        writer.research.keep_study(study.id, document)
    with clinic.write(RESEARCHER) as writer, pytest.raises(Conflict, match="expired"):
        count(writer, RESEARCHER, study.id, [])


@pytest.mark.parametrize(
    ("changed", "where"),
    [
        ({"profile": "L"}, "agreement"),
        ({"quasi": ("shoe-size",)}, "quasi[0]"),
        ({"k": 1}, "k"),
        ({"expires": date(2026, 1, 1)}, "expires"),
    ],
)
def test_a_study_that_cannot_be_is_refused(clinic: Records, changed: dict[str, Any], where: str) -> None:
    with pytest.raises(Invalid) as refused:
        opened(clinic, **changed)
    assert [issue.where for issue in refused.value.issues] == [where]


def test_counts_come_first_and_small_ones_are_not_told(clinic: Records) -> None:
    study = opened(clinic)
    with clinic.write(RESEARCHER) as writer:
        assert count(writer, RESEARCHER, study.id, [("gender", "female")]) == Counted(4, 3)
        assert count(writer, RESEARCHER, study.id, [("birthdate", "lt1951")]) == Counted(None, 3)
        assert count(writer, RESEARCHER, study.id, [("birthdate", "lt1900")]) == Counted(0, 3)


def test_a_count_that_tells_of_few_by_a_difference_is_refused(clinic: Records) -> None:
    study = opened(clinic)
    with clinic.write(RESEARCHER) as writer:
        count(writer, RESEARCHER, study.id, [])
    with pytest.raises(Conflict, match="fewer than 3"), clinic.write(RESEARCHER) as writer:
        count(writer, RESEARCHER, study.id, [("_has:Observation:patient:code", "http://loinc.org|8302-2")])
    other = opened(clinic)
    with clinic.write(RESEARCHER) as writer:
        assert count(writer, RESEARCHER, other.id, [("_has:Observation:patient:code", "8302-2")]).count == 7


@pytest.mark.parametrize("name", ["family", "identifier", "_id", "_has:Observation:patient:identifier", "name:exact"])
def test_a_cohort_is_not_asked_for_by_what_identifies(clinic: Records, name: str) -> None:
    study = opened(clinic)
    with clinic.write(RESEARCHER) as writer, pytest.raises(Invalid, match="not asked for by this"):
        count(writer, RESEARCHER, study.id, [(name, "x")])


def test_a_cohort_is_a_group_of_those_who_fit(clinic: Records) -> None:
    study = opened(clinic)
    ident = cohort_of(clinic, study, ("gender", "female"))
    with clinic.read() as reader:
        group = reader.get("Group", ident).resource
    assert group["quantity"] == len(group["member"]) == 4
    assert [issue for issue in issues_of(group) if issue.severity == "error"] == []
    with clinic.write(RESEARCHER) as writer, pytest.raises(Conflict, match="fewer than 3 persons is not kept"):
        define(writer, RESEARCHER, study.id, [("birthdate", "lt1951")])


def test_nothing_that_a_person_wrote_is_in_a_release(clinic: Records) -> None:
    for profile, agreement in (("S", ""), ("L", "invented agreement of 2026")):
        study = opened(clinic, profile=profile, agreement=agreement)
        made = released(clinic, study, cohort_of(clinic, study))
        found = files(clinic, made)
        assert sorted(found) == ["Observation.ndjson", "Patient.ndjson"]
        everything = b"".join(found.values()).decode() + str(made.manifest)
        assert MARK not in everything
        assert ("2026-03" in everything) is False
        for name, body in found.items():
            (told,) = [each for each in made.manifest["files"] if each["name"] == name]
            assert told["rows"] == len(body.splitlines())
            assert told["sha256"] == hashlib.sha256(body).hexdigest()
            for line in body.splitlines():
                assert [i for i in issues_of(text.parse(line)) if i.severity == "error"] == []


def test_who_dropped_out_is_told_where(clinic: Records) -> None:
    study = opened(clinic)
    cohort = cohort_of(clinic, study)
    refusal = {
        "resourceType": "Consent",
        "status": "active",
        "scope": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/consentscope", "code": "research"}]},
        "category": [{"coding": [{"system": "http://loinc.org", "code": "59284-0"}]}],
        "patient": {"reference": f"Patient/{MARK}-0"},
        "policyRule": {"text": "invented"},
        "provision": {"type": "deny"},
    }
    first = released(clinic, study, cohort)
    with clinic.write(LOCAL) as writer:
        writer.create(refusal)
    second = released(clinic, study, cohort)
    steps = {step["what"]: (step["left_out"], step["remaining"]) for step in second.manifest["flow"]["steps"]}
    assert steps == {
        "refused the use for research": (1, 7),
        "not in the record then": (0, 7),
        "no visit on record": (1, 6),
    }
    assert len(files(clinic, first)["Patient.ndjson"].splitlines()) == 7
    assert len(files(clinic, second)["Patient.ndjson"].splitlines()) == 6
    with clinic.read() as reader:
        assert f"{MARK}-0" not in members(reader, [])


def test_a_release_is_given_again_and_made_again_as_of_then(clinic: Records) -> None:
    study = opened(clinic)
    cohort = cohort_of(clinic, study)
    first = released(clinic, study, cohort)
    before = files(clinic, first)
    with clinic.write(LOCAL) as writer:
        changed = next(writer.of_patient(f"{MARK}-0", "Observation")).resource
        writer.update(changed | {"valueQuantity": {**changed["valueQuantity"], "value": 180}})
        gone = next(writer.of_patient(f"{MARK}-1", "Observation"))
        writer.delete(gone.type, gone.id)
        writer.create(height(f"{MARK}-2", "2026-03-16"))
    assert files(clinic, first) == before
    again = released(clinic, study, cohort, as_of=first.txn)
    assert files(clinic, again) == before
    later = files(clinic, released(clinic, study, cohort))
    assert b'"value":180' in later["Observation.ndjson"]
    assert len(later["Observation.ndjson"].splitlines()) == len(before["Observation.ndjson"].splitlines())
    with clinic.read() as reader:
        corrected = corrections_of(reader, RESEARCHER, first.id)
    assert len(corrected) == 2
    assert all(re.fullmatch(r"Observation/[0-9a-f]{32}", each) for each in corrected)


def test_a_transaction_of_the_future_is_refused(clinic: Records) -> None:
    study = opened(clinic)
    cohort = cohort_of(clinic, study)
    with pytest.raises(Invalid, match="no such transaction"):
        released(clinic, study, cohort, as_of=10**9)


def test_the_names_of_two_studies_do_not_join(clinic: Records) -> None:
    found = []
    for _ in range(2):
        study = opened(clinic)
        made = files(clinic, released(clinic, study, cohort_of(clinic, study)))
        found.append(set(re.findall(rb"[0-9a-f]{32}", b"".join(made.values()))))
    assert len(found[0]) == len(found[1]) == 7 + 14
    assert found[0].isdisjoint(found[1])


def test_rows_do_not_stand_in_the_order_of_the_record(clinic: Records) -> None:
    """By chance they might, once in 14 factorial times."""
    study = opened(clinic)
    lines = files(clinic, released(clinic, study, cohort_of(clinic, study)))["Observation.ndjson"].splitlines()
    names = [text.parse(line)["id"] for line in lines]
    with clinic.read() as reader:
        known = {each.name: each.id for each in reader.research.names(study.id)}
        order = [stored.id for n in range(7) for stored in reader.of_patient(f"{MARK}-{n}", "Observation")]
    assert names == sorted(names)
    assert [known[name] for name in names] != order


def test_a_small_class_refuses_the_release_unless_an_officer_answers(clinic: Records) -> None:
    study = opened(clinic, quasi=("gender", "birth-year"))
    cohort = cohort_of(clinic, study)
    with pytest.raises(Conflict, match="7 persons stand in classes of fewer than 3"):
        released(clinic, study, cohort)
    with pytest.raises(Forbidden, match="answered for by an officer"):
        released(clinic, study, cohort, answered="it is fine")
    with clinic.write(OFFICER) as writer:
        made = make_release(writer, OFFICER, study.id, Wish(cohort, answered="the ethics committee agreed"))
    assert made.manifest["answered_for"] == {"by": "Olga Invented", "reason": "the ethics committee agreed"}
    assert made.manifest["classes"] == {"smallest": 1, "below": 7, "of": 7}


def test_views_run_over_what_left(clinic: Records) -> None:
    study = opened(clinic)
    made = released(clinic, study, cohort_of(clinic, study))
    with clinic.read() as reader:
        days = [
            each["extension"][0]["valueInteger"] for each in resources_of(reader, RESEARCHER, made.id, "Observation")
        ]
        assert sorted(days) == [0] * 7 + [7] * 7
        assert list(resources_of(reader, RESEARCHER, made.id, "Goal")) == []
        with pytest.raises(Forbidden):
            list(resources_of(reader, STRANGER, made.id, "Observation"))


def test_an_erased_patient_can_no_longer_be_told_from_a_release(clinic: Records) -> None:
    """What was released stays as it was given; nothing in the record says any more whom it was about."""
    study = opened(clinic)
    made = released(clinic, study, cohort_of(clinic, study))
    with clinic.write(LOCAL) as writer:
        plan = writer.erasure_plan("Patient", f"{MARK}-0")
        writer.erase(plan, "erasure-1")
    with clinic.read() as reader:
        assert not [each for each in reader.research.names(study.id) if each.patient == f"{MARK}-0"]
        assert len([each for each in corrections_of(reader, RESEARCHER, made.id) if each.startswith("erased/")]) == 3
