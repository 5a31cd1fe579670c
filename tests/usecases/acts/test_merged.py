"""Two records of one person made one: the old id answers with the new, and both can be parted again."""

from __future__ import annotations

import pytest

from service.domain.actor import LOCAL, Actor, Grant
from service.errors import Conflict, Invalid, NeedsConfirmation
from service.fhir.search_parameters import Query, parse
from service.fhir.text import Json
from service.storage.records import Records
from service.usecases import resources
from service.usecases.metrics import metrics_of
from service.usecases.operations import everything, latest
from service.usecases.orthoses import orthoses_of
from service.usecases.people import find_patient
from service.usecases.summaries import summary_of
from service.usecases.visit_input import Person
from tests.usecases.acts.attached import FILE, Attached, attached, grip, visit

MERGE = {"act": "merge", "keep": "other", "give_up": "made-up", "reason": "One person, registered twice."}


@pytest.fixture
def merged(records: Records) -> Attached:
    """The record of `made-up`, merged into that of `other`."""
    a = attached(records)
    a.acts(MERGE)
    return a


def search(a: Attached, kind: str, *pairs: tuple[str, str], actor: Actor = LOCAL) -> list[str]:
    with a.records.read() as reader:
        return [each.id for each in resources.search(reader, actor, parse(kind, list(pairs))).matches]


def test_the_old_id_answers_with_the_new(merged: Attached) -> None:
    a = merged
    old, new = a.read("Patient", "made-up"), a.read("Patient", "other")
    assert old["active"] is False
    assert old["link"] == [{"other": {"reference": "Patient/other"}, "type": "replaced-by"}]
    assert new["link"] == [{"other": {"reference": "Patient/made-up"}, "type": "replaces"}]
    assert [each["value"] for each in new["identifier"]] == ["other", "made-up"]
    assert "identifier" not in old
    with a.records.read() as reader:
        assert find_patient(reader, Person(id="made-up")).id == "other"
        assert find_patient(reader, Person(identifier=(FILE, "made-up"))).id == "other"
        assert summary_of(reader, LOCAL, "made-up") == summary_of(reader, LOCAL, "other")
        assert metrics_of(reader, LOCAL, "made-up").results == metrics_of(reader, LOCAL, "other").results
        asked = parse("Observation", [("patient", "made-up"), ("code", "grip-strength-right-free")])
        assert len(latest(reader, LOCAL, asked, 1).matches) == 1
        assert len(everything(reader, LOCAL, "made-up", (), (), Query("Patient", count=1000)).matches) > 50
        (told,) = orthoses_of(reader, LOCAL, "made-up")
    assert told.episode.patient == "Patient/other"


@pytest.mark.parametrize("kind", ["Observation", "Encounter", "Goal", "ServiceRequest", "DocumentReference"])
def test_searches_by_the_old_patient_find_the_new_ones(merged: Attached, kind: str) -> None:
    a = merged
    found = search(a, kind, ("patient", "other"))
    assert found
    assert search(a, kind, ("patient", "made-up")) == found
    assert search(a, kind, ("patient", "Patient/made-up")) == found
    assert search(a, kind, ("patient.identifier", f"{FILE}|made-up")) == found


def test_pages_and_totals_of_a_search_by_the_old_patient_are_whole(merged: Attached) -> None:
    a = merged
    pairs = [("patient", "made-up"), ("_count", "7"), ("_total", "accurate")]
    found: list[str] = []
    with a.records.read() as reader:
        page = resources.search(reader, LOCAL, parse("Observation", pairs))
        found += [each.id for each in page.matches]
        while page.next:
            page = resources.search(reader, LOCAL, parse("Observation", [*pairs, ("_cursor", page.next)]))
            found += [each.id for each in page.matches]
    assert len(found) == len(set(found)) == page.total == len(a.of("other"))


def test_a_token_for_the_old_patient_does_not_open_the_new_record(merged: Attached) -> None:
    token = Actor("x", "X. Invented", "clinician", (Grant("patient", "*", frozenset("rs")),), patient="made-up")
    assert search(merged, "Observation", ("patient", "made-up"), actor=token) == []


def test_a_visit_of_the_old_patient_goes_to_the_new(merged: Attached) -> None:
    ident = visit(merged.records, [grip("right", "30", "31", "30")], 16, "made-up")
    assert merged.read("Encounter", ident)["subject"]["reference"] == "Patient/other"


def test_nothing_is_written_of_a_record_that_was_given_up(merged: Attached) -> None:
    goal: Json = {"resourceType": "Flag", "status": "active", "code": {"text": "made-up"},
                  "subject": {"reference": "Patient/made-up"}}  # fmt: skip
    with pytest.raises(Invalid, match="merged into another's") as refused:
        merged.do(lambda w: resources.create(w, LOCAL, goal))
    assert refused.value.issues[0].expected == "Patient/other"


@pytest.mark.parametrize("ident", ["made-up", "other"])
def test_no_edit_parts_what_was_merged(merged: Attached, ident: str) -> None:
    document = {name: value for name, value in merged.read("Patient", ident).items() if name != "link"}
    with pytest.raises(Conflict, match="by halves"):
        merged.do(lambda w: resources.update(w, LOCAL, document))
    with pytest.raises(Conflict):
        merged.do(lambda w: resources.delete(w, LOCAL, "Patient", ident))


def test_records_are_parted_although_they_were_changed_since(sqlite_records: Records) -> None:
    a = attached(sqlite_records)
    before = a.contents()
    done = a.acts(MERGE)
    goal = search(a, "Goal", ("patient", "other"))[0]
    told = {**a.read("Goal", goal), "note": [{"text": "seen since"}]}
    a.do(lambda w: resources.update(w, LOCAL, told))
    a.do(lambda w: resources.update(w, LOCAL, {**a.read("Patient", "other"), "birthDate": "1990-05-01"}))
    new = visit(a.records, [grip("right", "30", "31", "30")], 16, "other")
    a.undo(done)
    after = a.contents()
    assert after[f"Goal/{goal}"] == {**before[f"Goal/{goal}"], "note": [{"text": "seen since"}]}
    assert after["Patient/other"] == {**before["Patient/other"], "birthDate": "1990-05-01"}
    assert a.read("Encounter", new)["subject"]["reference"] == "Patient/other"
    changed = {name for name in before if after[name] != before[name]}
    assert changed == {f"Goal/{goal}", "Patient/other"}


def test_a_record_is_merged_once_and_not_into_itself(merged: Attached) -> None:
    for keep, give_up in (("other", "made-up"), ("made-up", "other"), ("other", "other")):
        with pytest.raises(Conflict):
            merged.plan({**MERGE, "keep": keep, "give_up": give_up})


def test_records_that_say_different_things_of_the_person_are_asked_about(sqlite_records: Records) -> None:
    a = attached(sqlite_records)
    a.do(lambda w: resources.update(w, LOCAL, {**a.read("Patient", "other"), "birthDate": "1971-01-01"}))
    with pytest.raises(NeedsConfirmation, match="do not say the same"):
        a.plan(MERGE)
    assert a.plan({**MERGE, "confirmed": "Seen in the passport."}).changes
