"""Orthoses as other records tell them, those kept in the older form, and which regimen a reading belongs to."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from service.domain.actor import LOCAL
from service.domain.orthosis import OrthosisEpisode
from service.errors import Conflict, Duplicate, Forbidden, Invalid, NotFound
from service.storage.records import Records
from service.usecases import orthoses
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit
from tests.domain.orthosis.orthoses import event, worn
from tests.fhir.orthosis.test_resources import OLD_DEVICE, OLD_USE

KEY = ("https://clinic.example/orthosis", "CAST, 1|a")


def stated(patient: str, **change: object) -> OrthosisEpisode:
    whole = OrthosisEpisode(
        patient, KEY, "Cast 1", "right", {"ring-pip": Decimal(45)}, removable="no", since=date(2026, 3, 9)
    )
    return replace(whole, **change)  # type: ignore[arg-type]


def new_patient(records: Records) -> str:
    with records.write(LOCAL) as writer:
        return writer.create({"resourceType": "Patient"}).reference


def test_the_same_statement_again_adds_nothing_and_another_is_refused(records: Records) -> None:
    patient = new_patient(records)
    with records.write(LOCAL) as writer:
        first = orthoses.record_orthosis(writer, LOCAL, stated(patient))
        assert orthoses.record_orthosis(writer, LOCAL, stated(patient)) == first
        assert len(orthoses.orthoses_of(writer, LOCAL, patient[8:])) == 1
        with pytest.raises(Duplicate):
            orthoses.record_orthosis(writer, LOCAL, stated(patient, holds={"ring-pip": Decimal(30)}))
        with pytest.raises(Duplicate):
            orthoses.begin(writer, LOCAL, orthoses.episode_of(stated(patient)))


def test_a_statement_stays_true_when_more_has_happened(records: Records) -> None:
    patient = new_patient(records)
    with records.write(LOCAL) as writer:
        orthoses.record_orthosis(writer, LOCAL, stated(patient))
        (told,) = orthoses.orthoses_of(writer, LOCAL, patient[8:])
        orthoses.record(writer, LOCAL, told.episode.id, [event("held", 12)])
        orthoses.record_orthosis(writer, LOCAL, stated(patient))
        assert orthoses.read_episode(writer, LOCAL, told.episode.id).life.state == "on-hold"


def test_the_regimen_of_a_day_is_found(records: Records) -> None:
    patient = new_patient(records)
    with records.write(LOCAL) as writer:
        orthoses.record_orthosis(writer, LOCAL, stated(patient))
        (told,) = orthoses.orthoses_of(writer, LOCAL, patient[8:])
        then = orthoses.record(writer, LOCAL, told.episode.id, [worn(20, "night", 8)])
        uses = [f"DeviceUseStatement/{e.id}" for e in then.episode.events if e.regimen]
        found = [orthoses.find_orthosis(writer, LOCAL, KEY, date(2026, 3, day)) for day in (8, 9, 19, 20, 30)]
        assert [each and each.reference for each in found] == [None, uses[0], uses[0], uses[1], uses[1]]
        last = orthoses.find_orthosis(writer, LOCAL, KEY)
        assert last is not None
        assert last.reference == uses[1]


def test_an_episode_in_the_older_form_is_read_and_lives_on(records: Records) -> None:
    """Device and DeviceUseStatement alone, as they were kept: the first event adds what was lacking."""
    patient = new_patient(records)
    use = {**OLD_USE, "subject": {"reference": patient}}
    use["timingTiming"] = {**use["timingTiming"], "repeat": {"boundsPeriod": {"start": "2026-03-09"}}}
    with records.write(LOCAL) as writer:
        device = writer.create({**OLD_DEVICE, "status": "active", "patient": {"reference": patient}})
        before = writer.create({**use, "status": "active", "device": {"reference": device.reference}})
    with records.write(LOCAL) as writer:
        (told,) = orthoses.orthoses_of(writer, LOCAL, patient[8:])
        assert (told.episode.id, told.life.state) == (device.id, "worn")
        ended = event("ended", 16, reason="replaced")
        assert orthoses.record(writer, LOCAL, told.episode.id, [ended]).life.state == "ended"
    with records.read() as reader:
        (told,) = orthoses.orthoses_of(reader, LOCAL, patient[8:])
        assert told.life.state == "ended"
        assert reader.get("ServiceRequest", device.id).resource["status"] == "completed"
        assert reader.get("DeviceUseStatement", before.id).resource["status"] == "completed"
        assert reader.get("Device", device.id).version == 2


def test_a_reading_in_another_patients_orthosis_is_refused(sqlite_records: Records) -> None:
    wearer, other = new_patient(sqlite_records), new_patient(sqlite_records)
    reading = {
        "kind": "grip-strength", "side": "right", "site": "hand", "trials": ["20"], "unit": "kgf",
        "orthosis_state": "in-orthosis", "orthosis": {"system": KEY[0], "value": KEY[1]},
    }  # fmt: skip
    with sqlite_records.write(LOCAL) as writer:
        orthoses.record_orthosis(writer, LOCAL, stated(wearer))
    for patient, lawful in ((wearer, True), (other, False)):
        visit = {
            "patient": {"id": patient[8:]},
            "when": "2026-03-10",
            "by": {"name": "Invented"},
            "readings": [reading],
        }
        with sqlite_records.write(LOCAL) as writer:
            if lawful:
                assert record_visit(writer, LOCAL, visit_of(visit, None)).written
                continue
            with pytest.raises(Invalid) as refused:
                record_visit(writer, LOCAL, visit_of(visit, None))
            assert refused.value.issues[0].rule == "orthosis-of-patient"


def test_what_is_not_there_and_who_may_not(sqlite_records: Records) -> None:
    patient = new_patient(sqlite_records)
    with sqlite_records.write(LOCAL) as writer:
        orthoses.record_orthosis(writer, LOCAL, stated(patient))
        (told,) = orthoses.orthoses_of(writer, LOCAL, patient[8:])
        with pytest.raises(NotFound):
            orthoses.read_episode(writer, LOCAL, "nowhere")
        with pytest.raises(NotFound):
            orthoses.retract(writer, LOCAL, told.episode.id, 99, "no such event")
        with pytest.raises(Conflict):
            orthoses.record(writer, LOCAL, told.episode.id, [event("held", 12)], after=1)
        desk = replace(LOCAL, role="front-desk")
        with pytest.raises(Forbidden):
            orthoses.record(writer, desk, told.episode.id, [event("held", 12)])
        with pytest.raises(Forbidden):
            orthoses.orthoses_of(writer, desk, patient[8:])
