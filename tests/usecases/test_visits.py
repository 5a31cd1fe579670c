"""Recording visits: whole or not at all, adding but never silently replacing."""

from __future__ import annotations

from contextlib import suppress
from copy import deepcopy
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.domain.actor import LOCAL
from service.errors import Conflict, Duplicate, Invalid, NeedsConfirmation, NotFound, RecordError
from service.fhir.search_parameters import parse
from service.storage.records import Records
from service.usecases.people import create_patient
from service.usecases.resources import create, update
from service.usecases.visit_input import visit_of
from service.usecases.visits import Recorded, record_visit

SYSTEM = "https://invented-clinic.example"
MOTION = {
    "kind": "joint-motion", "side": "right", "site": "index-pip", "motion": "flexion", "mode": "active", "value": "80",
    "unit": "deg", "convention": "named",
}  # fmt: skip
GRIP = {"kind": "grip-strength", "side": "right", "site": "hand", "trials": ["30", "31.50"], "unit": "kgf"}


def motion(**changes: Any) -> dict[str, Any]:
    return {**MOTION, **changes}


def said(*readings: dict[str, Any], key: str = "V1", **changes: Any) -> dict[str, Any]:
    """A visit as a client says it."""
    return {
        "patient": {"system": f"{SYSTEM}/patient", "value": "P1"}, "when": "2026-03-02T09:30:00+01:00",
        "by": {"name": "Thea Therapist"}, "key": {"system": f"{SYSTEM}/visit", "value": key},
        "readings": list(readings), **changes,
    }  # fmt: skip


@pytest.fixture
def clinic(records: Records) -> Records:
    """A record that knows one patient."""
    with records.write(LOCAL) as writer:
        create_patient(writer, LOCAL, (f"{SYSTEM}/patient", "P1"), {"family": "Makebelieve"})
    return records


def visit(records: Records, *readings: dict[str, Any], **changes: Any) -> Recorded:
    with records.write(LOCAL) as writer:
        return record_visit(writer, LOCAL, visit_of(said(*readings, **changes), ZoneInfo("Europe/Vienna")))


def held(records: Records, kind: str) -> list[dict[str, Any]]:
    with records.read() as reader:
        return [stored.resource for stored in reader.search(parse(kind, [("_count", "100")])).matches]


def numbers(records: Records) -> list[str]:
    return sorted(str(o["valueQuantity"]["value"]) for o in held(records, "Observation") if "valueQuantity" in o)


def refused(records: Records, *readings: dict[str, Any], **changes: Any) -> RecordError:
    before = {kind: held(records, kind) for kind in ("Encounter", "Observation", "Patient")}
    with pytest.raises(RecordError) as caught:
        visit(records, *readings, **changes)
    assert {kind: held(records, kind) for kind in before} == before
    return caught.value


def test_a_visit_is_an_encounter_with_its_readings(clinic: Records) -> None:
    done = visit(
        clinic,
        motion(),
        GRIP,
        motion(motion="extension-flexion", mode="passive", value="0-20-95", convention="neutral-zero"),
    )
    assert [(w.act, w.place) for w in done.written] == [
        ("created", "readings[0]"), ("created", "readings[1]"), ("created", "readings[2]"), ("created", "readings[2]"),
    ]  # fmt: skip
    assert numbers(clinic) == ["20", "30.750", "80", "95"]
    (encounter,) = held(clinic, "Encounter")
    readings = held(clinic, "Observation")
    assert {o["encounter"]["reference"] for o in readings} == {f"Encounter/{encounter['id']}"}
    (panel,) = (o for o in readings if "hasMember" in o)
    members = {member["reference"] for member in panel["hasMember"]}
    assert members == {w.stored.reference for w in done.written[2:]}


def test_the_same_again_changes_nothing(clinic: Records) -> None:
    visit(clinic, motion(), GRIP)
    assert [w.act for w in visit(clinic, motion(), GRIP).written] == ["unchanged", "unchanged"]
    assert (len(held(clinic, "Encounter")), len(held(clinic, "Observation"))) == (1, 2)


def test_a_second_person_s_entry_adds(clinic: Records) -> None:
    visit(clinic, motion())
    done = visit(clinic, motion(value="84"), motion(site="index-dip", value="60"), by={"name": "Hugo Handmade"})
    assert [w.act for w in done.written] == ["created", "created"]
    assert len(held(clinic, "Encounter")) == 1
    assert numbers(clinic) == ["60", "80", "84"]


def test_the_same_reading_with_another_value_is_refused_with_both_shown(clinic: Records) -> None:
    visit(clinic, motion())
    error = refused(clinic, motion(value="84"), motion(site="index-dip", value="60"))
    assert isinstance(error, Duplicate)
    (issue,) = error.issues
    assert ("80 deg" in issue.message, issue.value, issue.where) == (True, "84 deg", "readings[0].value")


def test_one_bad_reading_leaves_nothing_of_the_visit(clinic: Records) -> None:
    error = refused(clinic, motion(), motion(site="index-dip", value="NaN"), {**GRIP, "unit": "kg"})
    assert [(i.where, i.value, i.rule) for i in error.issues] == [
        ("readings[1].value", "NaN", "number"), ("readings[2].unit", "kg", "unit-of-kind"),
    ]  # fmt: skip
    assert "force" in error.issues[1].message


def test_what_is_unlikely_is_asked_and_kept_as_a_caution_once_confirmed(clinic: Records) -> None:
    error = refused(clinic, motion(value="120"))
    assert isinstance(error, NeedsConfirmation)
    assert [(i.where, i.rule) for i in error.issues] == [("readings[0].value", "soft-bound")]
    done = visit(clinic, motion(value="120", confirmed="lax joints; read twice"))
    assert [(w.where, w.rule, w.severity) for w in done.warnings] == [("readings[0]", "soft-bound", "warning")]
    assert "lax joints" in str(held(clinic, "Observation"))


def test_no_confirmation_helps_what_cannot_be(clinic: Records) -> None:
    error = refused(clinic, motion(value="170", confirmed="yes"))
    assert [i.rule for i in error.issues] == ["hard-bound"]


def ends(deficit: str, beyond: str) -> tuple[dict[str, Any], dict[str, Any]]:
    return motion(motion="extension-deficit", value=deficit), motion(motion="hyperextension", value=beyond)


def test_a_deficit_beside_hyperextension_is_refused_with_the_real_reason(clinic: Records) -> None:
    error = refused(clinic, *ends("20", "10"))
    assert (type(error), [i.rule for i in error.issues]) == (Invalid, ["one-end"])
    assert "cannot both be above 0" in error.issues[0].message
    deficit, beyond = ends("20", "10")
    visit(clinic, deficit)
    assert [i.rule for i in refused(clinic, beyond).issues] == ["one-end"]


def test_a_deficit_of_0_beside_hyperextension_is_one_end_described_twice(clinic: Records) -> None:
    assert [w.act for w in visit(clinic, *ends("0", "10")).written] == ["created", "created"]
    assert [w.act for w in visit(clinic, *ends("0", "10")).written] == ["unchanged", "unchanged"]
    deficit, beyond = ends("0", "12")
    assert "as 10 deg" in refused(clinic, beyond).issues[0].message
    assert [i.rule for i in refused(clinic, deficit, deficit).issues] == ["one-reading"]


def test_readings_of_one_visit_must_agree(clinic: Records) -> None:
    deficit = motion(motion="extension-deficit", value="60")
    assert [i.rule for i in refused(clinic, deficit, motion(value="40")).issues] == ["empty-arc"]
    passive = motion(mode="passive", value="70")
    assert [i.rule for i in refused(clinic, motion(), passive).issues] == ["active-above-passive"]


def test_a_unit_taken_for_another_is_asked_about_at_the_next_visit(clinic: Records) -> None:
    visit(clinic, {**GRIP, "trials": [], "value": "30"})
    later = {"key": "V2", "when": "2026-03-09T09:30:00+01:00"}
    error = refused(clinic, {**GRIP, "trials": [], "value": "66"}, **later)
    assert [i.rule for i in error.issues] == ["unit-ratio"]
    assert "30 kgf" in error.issues[0].message
    assert [w.act for w in visit(clinic, {**GRIP, "trials": [], "value": "36"}, **later).written] == ["created"]


def test_patients_and_orthoses_must_be_known(clinic: Records) -> None:
    someone = {"system": f"{SYSTEM}/patient", "value": "P9"}
    assert isinstance(refused(clinic, motion(), patient=someone), NotFound)
    worn = motion(orthosis={"system": f"{SYSTEM}/orthosis", "value": "C1"})
    rules = [refused(clinic, motion(**{**worn, "orthosis_state": s})).issues[0].rule for s in ("in-orthosis", "free")]
    assert rules == ["episode-key", "orthosis-of-reading"]


def test_a_practitioner_is_found_by_identifier(clinic: Records) -> None:
    identifier = {"system": f"{SYSTEM}/practitioner", "value": "T-1"}
    assert isinstance(refused(clinic, motion(), by=identifier), NotFound)
    with clinic.write(LOCAL) as writer:
        made = create(writer, LOCAL, {"resourceType": "Practitioner", "identifier": [identifier]}).stored
    visit(clinic, motion(), by=identifier)
    assert [o["performer"] for o in held(clinic, "Observation")] == [[{"reference": made.reference}]]


def imported(records: Records, *readings: dict[str, Any], **changes: Any) -> Recorded:
    """A visit as an import records it: every reading with the key it has in its source."""
    with records.write(LOCAL) as writer:
        given = visit_of(said(*readings, **changes), ZoneInfo("Europe/Vienna"))
        return record_visit(
            writer, LOCAL, type(given)(given.patient, given.when, given.by, given.readings, given.key, True)
        )


def test_an_import_may_change_what_it_wrote(clinic: Records) -> None:
    imported(clinic, motion(key="1"))
    assert [w.act for w in imported(clinic, motion(key="1", value="84")).written] == ["updated"]
    assert [w.act for w in imported(clinic, motion(key="1", value="84")).written] == ["unchanged"]
    assert numbers(clinic) == ["84"]


def correct(records: Records, **changes: Any) -> None:
    """What a person does who corrects a reading: read it, change it, send it back whole."""
    (reading,) = held(records, "Observation")
    reading = deepcopy(reading)
    for name, change in changes.items():
        reading[name] = change(reading.get(name))
    with records.write(LOCAL) as writer:
        update(writer, LOCAL, reading)


def test_a_reading_corrected_by_hand_is_not_overwritten(clinic: Records) -> None:
    imported(clinic, motion(key="1"))
    correct(clinic, valueQuantity=lambda quantity: {**quantity, "value": Decimal("78")})
    with pytest.raises(Conflict, match="78 deg"):
        imported(clinic, motion(key="1"))
    assert numbers(clinic) == ["78"]


def test_a_reading_withdrawn_by_hand_does_not_come_back(clinic: Records) -> None:
    imported(clinic, motion(key="1"))
    correct(clinic, status=lambda _: "entered-in-error")
    with suppress(Conflict):
        imported(clinic, motion(key="1"))
    assert [o["status"] for o in held(clinic, "Observation")] == ["entered-in-error"]


def test_the_same_reading_twice_in_one_entry_is_refused_with_both_shown(clinic: Records) -> None:
    for way, keys in ((visit, ({}, {})), (imported, ({"key": "1"}, {"key": "2"}))):
        with pytest.raises(Duplicate, match="80 deg"):
            way(clinic, motion(**keys[0]), motion(value="84", **keys[1]))
    assert held(clinic, "Observation") == []


def test_an_imported_reading_that_was_entered_by_hand_otherwise_is_refused(clinic: Records) -> None:
    visit(clinic, motion())
    with pytest.raises(Duplicate, match="80 deg"):
        imported(clinic, motion(key="1", value="84"))
    assert numbers(clinic) == ["80"]


def test_a_later_entry_must_agree_with_what_the_visit_has(clinic: Records) -> None:
    visit(clinic, motion(motion="extension-deficit", value="60"))
    error = refused(clinic, motion(value="40"))
    assert [(i.where, i.rule) for i in error.issues] == [("readings[0].value", "empty-arc")]


def test_an_import_may_turn_a_deficit_into_hyperextension(clinic: Records) -> None:
    arc = motion(motion="extension-flexion", convention="neutral-zero", key="1")
    imported(clinic, {**arc, "value": "0-10-90"})
    done = imported(clinic, {**arc, "value": "10-0-90"})
    assert sorted(w.act for w in done.written) in (["unchanged", "updated"], ["updated", "updated"])
    ends = sorted(
        (o["code"]["coding"][0]["code"], str(o["valueQuantity"]["value"]))
        for o in held(clinic, "Observation")
        if "valueQuantity" in o
    )
    assert ends == [("flexion-active-unknown", "90"), ("hyperextension-active-unknown", "10")]
    (panel,) = (o for o in held(clinic, "Observation") if "hasMember" in o)
    assert "10-0-90" in str(panel)


def test_an_entry_without_readings_or_people_is_refused_as_a_whole(clinic: Records) -> None:
    with pytest.raises(Invalid) as caught:
        visit_of({"when": "2026-03-02", "mood": "good"}, None)
    assert [i.where for i in caught.value.issues] == ["mood", "patient", "by", "readings"]
    assert held(clinic, "Encounter") == []
