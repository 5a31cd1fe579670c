"""The checks that every write passes, and what conditional create promises."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from typing import Any

import pytest

from service.domain.actor import LOCAL
from service.domain.kinds import KINDS
from service.errors import Conflict, Gone, Invalid, NotFound, NotSupported, PreconditionFailed, SeveralMatches
from service.fhir.observation import profile_of
from service.fhir.search_parameters import parse
from service.storage.records import Records
from service.usecases import resources

PATIENT: dict[str, Any] = {
    "resourceType": "Patient",
    "identifier": [{"system": "urn:example:chart", "value": "C-1"}],
    "name": [{"family": "Example", "given": ["Anna"]}],
}
CONDITION = "identifier=urn:example:chart|C-1"


def observation(patient: str, **changed: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "urn:example:codes", "code": "flexion"}]},
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": "2026-03-01T10:00:00+01:00",
        "valueQuantity": {"value": Decimal("80.50"), "unit": "deg"},
        **changed,
    }


def create(records: Records, resource: dict[str, Any], **terms: Any) -> resources.Written:
    with records.write(LOCAL) as writer:
        return resources.create(writer, LOCAL, resource, **terms)


def test_from_creation_to_deletion(records: Records) -> None:
    made = create(records, PATIENT)
    assert made.outcome == "created"
    ident = made.stored.id
    with records.write(LOCAL) as writer:
        changed = resources.update(writer, LOCAL, {**PATIENT, "id": ident, "birthDate": "1980"}, expected=1)
        assert (changed.outcome, changed.stored.version) == ("updated", 2)
        same = resources.update(writer, LOCAL, {**PATIENT, "id": ident, "birthDate": "1980"})
        assert (same.outcome, same.stored.version) == ("unchanged", 2)
        assert resources.delete(writer, LOCAL, "Patient", ident).version == 3
    with records.read() as reader:
        with pytest.raises(Gone):
            resources.read(reader, LOCAL, "Patient", ident)
        assert resources.read_version(reader, LOCAL, "Patient", ident, 1) == made.stored
        assert [one.version for one in resources.history(reader, LOCAL, "Patient", ident, count=2)] == [3, 2]
        with pytest.raises(NotFound):
            resources.history(reader, LOCAL, "Patient", "nobody")
        assert resources.search(reader, LOCAL, parse("Patient", [])).matches == ()
    with records.write(LOCAL) as writer:
        back = resources.update(writer, LOCAL, {**PATIENT, "id": ident})
        assert (back.outcome, back.stored.version) == ("created", 4)


def test_an_id_sent_with_a_create_is_not_used(records: Records) -> None:
    """https://hl7.org/fhir/R4/http.html#create: the server ignores an id that comes with a create."""
    made = create(records, {**PATIENT, "id": "mine"})
    assert made.stored.id != "mine"
    assert made.stored.resource["id"] == made.stored.id


def test_what_is_not_r4_is_refused_before_anything_is_stored(sqlite_records: Records) -> None:
    with pytest.raises(Invalid):
        create(sqlite_records, {**PATIENT, "gender": "bogus"})
    with pytest.raises(Invalid):
        create(sqlite_records, {})
    with sqlite_records.read() as reader:
        assert list(reader.trail()) == []


@pytest.mark.parametrize("kind", ["AuditEvent", "Medication", "Bundle"])
def test_what_the_record_does_not_take_is_refused(sqlite_records: Records, kind: str) -> None:
    with pytest.raises(NotSupported):
        create(sqlite_records, {"resourceType": kind})


def test_the_trail_of_changes_cannot_be_deleted(sqlite_records: Records) -> None:
    with sqlite_records.write(LOCAL) as writer, pytest.raises(NotSupported):
        resources.delete(writer, LOCAL, "AuditEvent", "1")


def test_what_claims_our_profile_must_be_a_lawful_reading(sqlite_records: Records) -> None:
    patient = create(sqlite_records, PATIENT).stored.id
    create(sqlite_records, observation(patient))
    for kind in KINDS.values():
        claiming = observation(patient, meta={"profile": [profile_of(kind)]})
        with pytest.raises(Invalid):
            create(sqlite_records, claiming)
        with sqlite_records.write(LOCAL) as writer, pytest.raises(Invalid):
            resources.update(writer, LOCAL, {**claiming, "id": "by-the-other-door"})


def test_what_it_refers_to_must_be_here_unless_that_is_switched_off(records: Records) -> None:
    lost = observation("nobody", performer=[{"reference": "Practitioner/nobody"}, {"display": "Somebody"}])
    with pytest.raises(Invalid) as refused:
        create(records, lost)
    told = {(issue.code, issue.where, issue.value) for issue in refused.value.issues}
    assert told == {
        ("not-found", "Observation.subject.reference", "Patient/nobody"),
        ("not-found", "Observation.performer[0].reference", "Practitioner/nobody"),
    }
    assert create(records, lost, referential_integrity=False).outcome == "created"


def test_references_to_elsewhere_and_inside_are_not_looked_up(sqlite_records: Records) -> None:
    inside = {"resourceType": "Practitioner", "id": "inside", "name": [{"text": "Somebody"}]}
    made = observation("nobody", contained=[inside], performer=[{"reference": "#inside"}])
    made["subject"] = {"reference": "http://other.example/fhir/Patient/1"}
    assert create(sqlite_records, made).outcome == "created"


def test_a_reference_in_an_extension_is_looked_up_too(sqlite_records: Records) -> None:
    extension = {"url": "urn:example:seen-by", "valueReference": {"reference": "Practitioner/nobody"}}
    with pytest.raises(Invalid, match=r"extension\[0\].valueReference"):
        create(sqlite_records, {**PATIENT, "extension": [extension]})


def test_nothing_is_deleted_that_others_refer_to(records: Records) -> None:
    patient = create(records, PATIENT).stored.id
    first = create(records, observation(patient)).stored.id
    second = create(records, observation(patient, derivedFrom=[{"reference": f"Observation/{first}"}])).stored.id
    for kind, ident in (("Patient", patient), ("Observation", first)):
        with pytest.raises(Conflict, match="refer to it"), records.write(LOCAL) as writer:
            resources.delete(writer, LOCAL, kind, ident)
        with records.read() as reader:
            assert not reader.get(kind, ident).deleted
    with records.write(LOCAL) as writer:
        resources.delete(writer, LOCAL, "Observation", second)
        resources.delete(writer, LOCAL, "Observation", first)
        resources.delete(writer, LOCAL, "Patient", patient)


def test_a_conditional_create_makes_finds_or_refuses(records: Records) -> None:
    made = create(records, PATIENT, if_none_exist=CONDITION)
    assert made.outcome == "created"
    assert create(records, PATIENT, if_none_exist=CONDITION) == resources.Written(made.stored, "found")
    assert create(records, PATIENT, if_none_exist=f"?{CONDITION}").outcome == "found"
    create(records, PATIENT)
    with pytest.raises(SeveralMatches):
        create(records, PATIENT, if_none_exist=CONDITION)


@pytest.mark.parametrize("condition", ["", "?", "_count=1", "color=red"])
def test_a_condition_that_finds_nothing_in_particular_is_refused(sqlite_records: Records, condition: str) -> None:
    with pytest.raises(Invalid):
        create(sqlite_records, PATIENT, if_none_exist=condition)


def test_two_conditional_creates_at_once_make_one(url: str) -> None:
    """Two sessions, each its own, as two processes would have; ten rounds."""
    sessions = [Records.open(url), Records.open(url)]
    start = threading.Barrier(2)

    def race(number: int) -> list[tuple[str, str]]:
        came = []
        for turn in range(10):
            patient = {**PATIENT, "identifier": [{"system": "urn:example:chart", "value": f"R-{turn}"}]}
            start.wait(10)
            written = create(sessions[number], patient, if_none_exist=f"identifier=urn:example:chart|R-{turn}")
            came.append((written.stored.id, written.outcome))
        return came

    with ThreadPoolExecutor(2) as pool:
        one, other = pool.map(race, range(2))
    for (first, how), (second, also) in zip(one, other, strict=True):
        assert first == second
        assert {how, also} == {"created", "found"}
    for session in sessions:
        session.close()


def test_a_version_that_is_not_the_present_one_is_refused(records: Records) -> None:
    ident = create(records, PATIENT).stored.id
    with records.write(LOCAL) as writer:
        with pytest.raises(PreconditionFailed):
            resources.update(writer, LOCAL, {**PATIENT, "id": ident}, expected=2)
        with pytest.raises(PreconditionFailed):
            resources.delete(writer, LOCAL, "Patient", ident, expected=2)
