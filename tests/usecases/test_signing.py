"""Signing: preliminary until then, final from then on, corrected after; another's signature where one is needed."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import partial

import pytest

from service.domain.actor import LOCAL, Actor
from service.errors import Conflict, Forbidden, Gone, NotFound
from service.fhir import json_patch
from service.fhir.text import Json
from service.storage.records import Records
from service.usecases import conditional, resources
from service.usecases.metrics import store_derived
from service.usecases.signing import needs_signature, sign_visit
from tests.usecases.acts.attached import Attached, arc, grip, person, visit

STUDENT = Actor("s-1", "S. Invented", "student", cosigned=True)
READINGS = [arc("right", "index-pip", "0-20-90"), grip("right", "20", "22", "21")]


@pytest.fixture
def unsigned(records: Records) -> Attached:
    """A patient with one visit that nobody has signed."""
    with records.write(LOCAL) as writer:
        person(writer, "made-up")
    first = visit(records, READINGS, 2)
    return Attached(records, first, "", "", {})


def statuses(a: Attached) -> set[str]:
    return {each.resource["status"] for each in a.of("made-up")}


def test_a_signature_makes_the_visit_and_its_readings_final(unsigned: Attached) -> None:
    a = unsigned
    assert (statuses(a), a.read("Encounter", a.first)["status"]) == ({"preliminary"}, "in-progress")
    signed = a.sign(a.first)
    assert signed.final
    assert (statuses(a), a.read("Encounter", a.first)["status"]) == ({"final"}, "finished")
    assert all("issued" in each.resource for each in a.of("made-up"))
    assert signed.provenance is not None
    told = signed.provenance.resource
    assert {each["reference"] for each in told["target"]} == {
        f"Encounter/{a.first}/_history/2", *(f"{each.reference}/_history/2" for each in a.of("made-up")),
    }  # fmt: skip
    (signature,) = told["signature"]
    # https://hl7.org/fhir/R4/valueset-signature-type.html
    assert signature["type"][0]["code"] == "1.2.840.10065.1.12.1.1"
    assert signature["who"]["display"] == LOCAL.name


def test_signing_again_changes_nothing(unsigned: Attached) -> None:
    unsigned.sign(unsigned.first)
    before = unsigned.contents()
    again = unsigned.sign(unsigned.first)
    assert (again.provenance, again.signed, again.final) == (None, (), True)
    assert unsigned.contents() == before


def test_results_are_final_once_their_readings_are(unsigned: Attached) -> None:
    a = unsigned
    a.do(lambda writer: store_derived(writer, LOCAL, "made-up"))
    assert statuses(a) == {"preliminary"}
    a.sign(a.first)
    assert statuses(a) == {"final"}


def test_a_students_signature_alone_leaves_readings_preliminary(records: Records) -> None:
    with records.write(LOCAL) as writer:
        person(writer, "made-up")
    a = Attached(records, visit(records, READINGS, 2, actor=STUDENT), "", "", {})
    assert all(needs_signature(each.resource) for each in a.of("made-up"))
    by_student = a.sign(a.first, STUDENT)
    assert (by_student.final, statuses(a)) == (False, {"preliminary"})
    assert a.sign(a.first, STUDENT).provenance is None
    other = a.sign(a.first)
    assert (other.final, statuses(a)) == (True, {"final"})
    assert not any(needs_signature(each.resource) for each in a.of("made-up"))
    assert not needs_signature(a.read("Encounter", a.first))
    assert by_student.provenance is not None
    assert other.provenance is not None
    kinds = [each.resource["signature"][0]["type"][0]["code"] for each in (by_student.provenance, other.provenance)]
    assert kinds == ["1.2.840.10065.1.12.1.1", "1.2.840.10065.1.12.1.5"]


def test_a_late_entry_keeps_both_times_and_waits_for_a_signature(unsigned: Attached) -> None:
    a = unsigned
    a.sign(a.first)
    key = {"system": "https://clinic.example/visit", "value": "late"}
    a.do(lambda writer: writer.update({**writer.get("Encounter", a.first).resource, "identifier": [key]}))
    visit(a.records, [grip("left", "30", "31", "32")], 2, key=key)
    late = a.reading("grip-strength-left-free")
    assert late.resource["status"] == "preliminary"
    signed = a.sign(a.first)
    (told,) = signed.late
    assert told.reference == late.reference
    assert told.taken.isoformat() == "2026-03-02T09:30:00+01:00"
    assert told.recorded == late.updated
    final = a.read("Observation", late.id)
    assert final["effectiveDateTime"] == "2026-03-02T09:30:00+01:00"
    assert final["issued"] > "2026-03-03"


def _with_value(resource: Json, value: str) -> Json:
    return {**resource, "valueQuantity": {**resource["valueQuantity"], "value": Decimal(value)}}


@pytest.mark.parametrize("door", ["update", "patch"])
def test_after_signing_every_change_is_corrected(unsigned: Attached, door: str) -> None:
    a = unsigned
    code = "grip-strength-right-free"
    a.do(lambda w: resources.update(w, LOCAL, _with_value(a.reading(code).resource, "20")))
    assert a.reading(code).resource["status"] == "preliminary"
    a.sign(a.first)
    reading = a.reading(code)
    if door == "update":
        a.do(lambda w: resources.update(w, LOCAL, _with_value(reading.resource, "19")))
    else:
        patch = partial(json_patch.apply, operations=[{"op": "replace", "path": "/valueQuantity/value", "value": 19}])
        a.do(lambda w: conditional.patch(w, LOCAL, "Observation", reading.id, patch))
    assert a.read("Observation", reading.id)["status"] == "corrected"
    again = a.do(lambda w: resources.update(w, LOCAL, {**a.read("Observation", reading.id), "status": "final"}))
    assert (again.outcome, again.stored.resource["status"]) == ("unchanged", "corrected")


def test_a_signed_reading_can_be_withdrawn(unsigned: Attached) -> None:
    a = unsigned
    a.sign(a.first)
    reading = a.reading("grip-strength-right-free")
    a.do(lambda w: resources.update(w, LOCAL, {**reading.resource, "status": "entered-in-error"}))
    assert a.read("Observation", reading.id)["status"] == "entered-in-error"


def test_what_is_no_visit_or_was_withdrawn_is_not_signed(unsigned: Attached) -> None:
    a = unsigned
    with pytest.raises(NotFound):
        a.sign("nobody")
    a.do(lambda w: resources.update(w, LOCAL, {**a.read("Encounter", a.first), "status": "entered-in-error"}))
    with pytest.raises(Conflict):
        a.sign(a.first)
    made = a.do(lambda w: w.create({k: v for k, v in a.read("Encounter", a.first).items() if k != "id"}))
    a.do(lambda w: w.delete("Encounter", made.id))
    with pytest.raises(Gone):
        a.sign(made.id)


@pytest.mark.parametrize("role", ["front-desk", "biller", "researcher", "auditor", "administrator", ""])
def test_who_writes_no_readings_signs_none(sqlite_records: Records, role: str) -> None:
    with sqlite_records.write(LOCAL) as writer:
        person(writer, "made-up")
    first = visit(sqlite_records, READINGS, 2)
    with pytest.raises(Forbidden), sqlite_records.write(LOCAL) as writer:
        sign_visit(writer, replace(STUDENT, role=role, cosigned=False), first)
