"""Versions, deletions and their errors, on both databases."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from service.domain.actor import LOCAL
from service.errors import Duplicate, Gone, Invalid, NotFound, PreconditionFailed, SeveralMatches
from service.fhir.search_dates import micros
from service.storage.engine import open_engine
from service.storage.records import Records, Writer
from service.storage.tables import txn

PATIENT: dict[str, Any] = {
    "resourceType": "Patient",
    "id": "invented-1",
    "identifier": [{"system": "urn:example:chart", "value": "C-1"}],
    "name": [{"family": "Example", "given": ["Anna"]}],
}


def observation(number: int = 1, value: str = "1.50") -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "urn:example:codes", "code": f"kind-{number}"}]},
        "subject": {"reference": "Patient/invented-1"},
        "effectiveDateTime": "2026-03-01T10:00:00+01:00",
        "valueQuantity": {"value": Decimal(value), "unit": "deg"},
    }


def test_a_document_comes_back_to_the_digit(records: Records) -> None:
    with records.write(LOCAL) as writer:
        made = writer.create(observation(value="1.50"))
    with records.read() as reader:
        found = reader.get("Observation", made.id)
    assert found == made
    assert b'"value":1.50,' in found.body
    assert found.resource["meta"]["versionId"] == "1"
    assert found.resource["meta"]["lastUpdated"] == f"{found.updated:%Y-%m-%dT%H:%M:%S.%f}Z"


def test_versions_are_kept_and_told_apart(records: Records) -> None:
    with records.write(LOCAL) as writer:
        first = writer.update(PATIENT)
        second = writer.update({**PATIENT, "birthDate": "1980"}, expected=1)
        gone = writer.delete("Patient", PATIENT["id"])
        back = writer.update(PATIENT)
    assert [one.version for one in (first, second, gone, back)] == [1, 2, 3, 4]
    with records.read() as reader:
        history = reader.history("Patient", PATIENT["id"])
        assert [(one.version, one.method, one.deleted) for one in history] == [
            (4, "update", False), (3, "delete", True), (2, "update", False), (1, "create", False),
        ]  # fmt: skip
        assert reader.version("Patient", PATIENT["id"], 1) == first
        assert reader.version("Patient", PATIENT["id"], 2) == second
        assert [one.version for one in reader.history("Patient", PATIENT["id"], count=2, before=4)] == [3, 2]
        with pytest.raises(Gone):
            reader.version("Patient", PATIENT["id"], 3)
        with pytest.raises(NotFound):
            reader.version("Patient", PATIENT["id"], 5)


def test_saying_the_same_again_makes_no_version_but_another_digit_does(records: Records) -> None:
    with records.write(LOCAL) as writer:
        made = writer.create(observation(value="1.5"))
        assert writer.update(made.resource).version == 1
        reordered = dict(reversed(made.resource.items()))
        assert writer.update(reordered).version == 1
        precise = {**made.resource, "valueQuantity": {"value": Decimal("1.50"), "unit": "deg"}}
        assert writer.update(precise).version == 2


def test_a_deleted_resource_is_gone_and_was_never_there_is_not_found(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.update(PATIENT)
        assert writer.delete("Patient", PATIENT["id"]).deleted
        assert writer.delete("Patient", PATIENT["id"]).version == 2
        with pytest.raises(NotFound):
            writer.delete("Patient", "nobody")
    with records.read() as reader:
        with pytest.raises(Gone):
            reader.get("Patient", PATIENT["id"])
        with pytest.raises(NotFound):
            reader.get("Patient", "nobody")
        assert reader.find("Patient", "nobody") is None
        assert reader.by_identifier("Patient", "urn:example:chart", "C-1") is None


def test_a_stated_version_must_be_the_present_one(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.update(PATIENT)
        with pytest.raises(PreconditionFailed):
            writer.update({**PATIENT, "birthDate": "1980"}, expected=2)
        with pytest.raises(PreconditionFailed):
            writer.delete("Patient", PATIENT["id"], expected=2)
        with pytest.raises(PreconditionFailed):
            writer.update({**PATIENT, "id": "free"}, expected=1)


def test_an_id_is_used_once_and_has_the_form_of_one(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.create(PATIENT, id="chosen")
        with pytest.raises(Duplicate):
            writer.create(PATIENT, id="chosen")
        for bad in ("", "a/b", "x" * 65):
            with pytest.raises(Invalid):
                writer.update({**PATIENT, "id": bad})


def test_an_error_undoes_the_whole_transaction(records: Records) -> None:
    def half() -> None:
        with records.write(LOCAL) as writer:
            writer.update(PATIENT)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half()
    with records.read() as reader:
        assert reader.find("Patient", PATIENT["id"]) is None
        assert list(reader.trail()) == []


def test_an_attempt_is_undone_alone(records: Records) -> None:
    def failing(writer: Writer) -> None:
        with writer.attempt():
            writer.update(PATIENT)
            raise ZeroDivisionError

    with records.write(LOCAL) as writer:
        with pytest.raises(ZeroDivisionError):
            failing(writer)
        writer.create(observation())
    with records.read() as reader:
        assert reader.find("Patient", PATIENT["id"]) is None
        assert [one.method for one in reader.of_patient("invented-1", "Observation")] == ["create"]


def test_an_identifier_finds_one_and_says_if_several_have_it(records: Records) -> None:
    with records.write(LOCAL) as writer:
        made = writer.update(PATIENT)
        assert writer.by_identifier("Patient", "urn:example:chart", "C-1") == made
        assert writer.by_identifier("Patient", "urn:example:other", "C-1") is None
        writer.create(PATIENT)
        with pytest.raises(SeveralMatches):
            writer.by_identifier("Patient", "urn:example:chart", "C-1")


def test_what_exists_and_who_refers(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.update(PATIENT)
        made = writer.create(observation())
        assert writer.existing({("Patient", "invented-1"), ("Patient", "nobody")}) == {("Patient", "invented-1")}
        assert writer.referrers("Patient", "invented-1") == [made.reference]
        writer.delete("Observation", made.id)
        assert writer.referrers("Patient", "invented-1") == []


def test_every_change_leaves_one_entry_of_who_what_and_when(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.update(PATIENT)
        made = writer.create(observation())
    with records.write(LOCAL) as writer:
        writer.delete("Observation", made.id)
    with records.read() as reader:
        entries = list(reader.trail(patient="invented-1"))
        assert [(one.act, one.type, one.version) for one in entries] == [
            ("delete", "Observation", 2), ("create", "Observation", 1), ("create", "Patient", 1),
        ]  # fmt: skip
        assert {one.actor for one in entries} == {LOCAL}
        assert entries[0].at > entries[1].at
        assert [one.act for one in reader.trail(of=("Patient", "invented-1"))] == ["create"]


def test_time_never_runs_backwards_whatever_the_clock_says(url: str) -> None:
    """A clock that was an hour fast, and was then set right."""
    fast = micros(datetime.now(UTC)) + 3_600_000_000
    engine = open_engine(url)
    with engine.begin() as connection:
        connection.execute(txn.insert(), {"number": 1, "at": fast, "actor": "somebody"})
    engine.dispose()
    records = Records.open(url)
    with records.write(LOCAL) as writer:
        assert micros(writer.update(PATIENT).updated) == fast + 1
    records.close()


def test_nothing_changed_leaves_no_entry(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.update(PATIENT)
    with records.write(LOCAL) as writer:
        writer.update(PATIENT)
    with records.read() as reader:
        assert len(list(reader.trail())) == 1
