"""What each act makes of what was wrong, and what of all that rests on it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from service.domain.actor import LOCAL, Actor
from service.domain.anatomy import PartState, Site
from service.errors import Conflict, Invalid, NeedsConfirmation, NotFound
from service.fhir.acts import REPLACES
from service.fhir.derived import is_derived
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.storage.charge_exports import Line, keep
from service.storage.departures import Departure
from service.storage.records import Records
from service.usecases.acts.resting import affected
from service.usecases.course_record import record_detail
from service.usecases.courses import record_state
from service.usecases.metrics import metrics_of
from service.usecases.operations import latest
from service.usecases.orthoses import orthoses_of
from service.usecases.summaries import summary_of
from tests.usecases.acts.attached import LIFTING, Attached, attached, joint
from tests.usecases.acts.test_every_act import ACTS, WHY

RIGHT, LEFT = "grip-strength-right-free", "grip-strength-left-free"


@pytest.fixture
def a(sqlite_records: Records) -> Attached:
    """A patient with everything attached."""
    return attached(sqlite_records)


def replaced(resource: Json) -> list[str]:
    return [e["valueReference"]["reference"] for e in resource.get("extension", ()) if e["url"] == REPLACES]


def test_a_wrong_value_keeps_its_id(a: Attached) -> None:
    document = ACTS["value"](a)
    done = a.acts(document)
    corrected = a.read("Observation", document["observation"])
    assert (corrected["valueQuantity"]["value"], corrected["status"]) == (Decimal(75), "corrected")
    assert corrected["meta"]["versionId"] == "3"
    totals = [c for c in done.changes if "derived" in c.reference]
    assert totals
    became = {each.how: what for each, what in done.resting}
    assert became == {
        "derived result": "changed", "document": "marked", "charge": "listed", "measured goal": "listed",
        "whole of an arc": "listed", "provenance": "listed",
    }  # fmt: skip
    for kind in ("DocumentReference", "Composition", "DiagnosticReport"):
        tags = a.read(kind, a.documents[kind])["meta"]["tag"]
        assert [tag["code"] for tag in tags] == ["rests-on-corrected"]
    assert "tag" not in a.read("ChargeItem", a.documents["ChargeItem"])["meta"]


def test_a_wrong_part_is_withdrawn_and_replaced(a: Attached) -> None:
    document = ACTS["part"](a)
    old = a.read("Observation", document["observation"])
    a.acts(document)
    withdrawn = a.read("Observation", old["id"])
    assert {**withdrawn, "meta": 0} == {**old, "meta": 0, "status": "entered-in-error"}
    (new,) = (each.resource for each in a.of("made-up") if replaced(each.resource))
    assert replaced(new) == [f"Observation/{old['id']}"]
    assert (new["bodySite"]["coding"][0]["code"], new["status"]) == ("right-middle-pip", "corrected")


def test_what_was_withdrawn_counts_nowhere(a: Attached) -> None:
    a.acts(ACTS["side"](a))
    with a.records.read() as reader:
        withdrawn = {each.id for each in a.of("made-up") if each.resource["status"] == "entered-in-error"}
        used = {m.circumstances.id for r in metrics_of(reader, LOCAL, "made-up").results for m in r.inputs}
        newest = latest(reader, LOCAL, parse("Observation", [("patient", "made-up")]), 5)
        summary = summary_of(reader, LOCAL, "made-up")
    assert withdrawn
    assert not withdrawn & used
    assert not withdrawn & {each.id for each in newest.matches}
    assert "left-index-pip" in repr(summary) or "key='index-pip'" in repr(summary)
    assert "Site(side='right', key='index-pip')" not in repr(summary)


def test_the_sides_of_a_visit_are_turned(a: Attached) -> None:
    before = {code: a.reading(code).resource["valueQuantity"] for code in (RIGHT, LEFT)}
    a.acts(ACTS["side"](a))
    assert a.reading(RIGHT).resource["valueQuantity"] == before[LEFT]
    assert a.reading(LEFT).resource["valueQuantity"] == before[RIGHT]
    whole = [o.resource for o in a.of("made-up") if o.resource.get("hasMember") and o.resource["status"] == "corrected"]
    assert len(whole) == 3
    for each in whole:
        assert each["bodySite"]["coding"][0]["code"].startswith("left-index")
        for member in each["hasMember"]:
            end = a.read("Observation", member["reference"].removeprefix("Observation/"))
            assert end["bodySite"] == each["bodySite"]


def test_some_readings_of_a_visit_are_turned(a: Attached) -> None:
    right = a.reading(RIGHT)
    left = a.reading(LEFT)
    done = a.acts({"act": "correct-side", "visit": a.first, "readings": [left.id], **WHY})
    assert a.read("Observation", right.id)["status"] == "final"
    assert a.read("Observation", left.id)["status"] == "entered-in-error"
    a.undo(done)
    end = next(o.id for o in a.of("made-up") if b'"right-index-pip"' in o.body and b'"flexion-active' in o.body)
    with pytest.raises(Invalid, match="One end of an arc"):
        a.plan({"act": "correct-side", "visit": a.first, "readings": [end], **WHY})
    with pytest.raises(Invalid, match="no such reading"):
        a.plan({"act": "correct-side", "visit": a.second, "readings": [left.id], **WHY})


def test_a_visit_is_moved_to_its_day(a: Attached) -> None:
    a.acts(ACTS["date"](a))
    assert a.read("Encounter", a.first)["period"]["start"] == "2026-03-04T09:30:00+01:00"
    assert a.reading(RIGHT).resource["effectiveDateTime"] == "2026-03-04T09:30:00+01:00"
    dated = {o.resource["effectiveDateTime"][:10] for o in a.of("made-up") if _of_first(a, o.resource)}
    assert dated == {"2026-03-04"}


def _of_first(a: Attached, resource: Json) -> bool:
    return bool(resource.get("encounter", {}).get("reference") == f"Encounter/{a.first}")


@pytest.mark.parametrize(
    ("day", "zone", "start"),
    [
        ("2026-03-30", "Europe/Vienna", "2026-03-30T09:30:00+02:00"),
        ("2026-03-30", "America/New_York", "2026-03-30T09:30:00+01:00"),
        ("2026-02-28", "Europe/Vienna", "2026-02-28T09:30:00+01:00"),
    ],
)
def test_the_time_of_day_stays_where_clocks_were_changed(a: Attached, day: str, zone: str, start: str) -> None:
    a.acts({"act": "correct-date", "visit": a.second, "date": day, "zone": zone, **WHY})
    assert a.read("Encounter", a.second)["period"]["start"] == start


def test_a_visit_is_not_moved_to_a_day_that_has_not_been(a: Attached) -> None:
    ahead = date(datetime.now(UTC).year + 1, 1, 1).isoformat()
    with pytest.raises(Invalid):
        a.plan({"act": "correct-date", "visit": a.first, "date": ahead, **WHY})
    with pytest.raises(Conflict):
        a.plan({"act": "correct-date", "visit": a.first, "date": "2026-03-02", **WHY})


def test_a_visit_goes_to_the_patient_whose_it_was(a: Attached) -> None:
    old = a.reading(RIGHT, a.second)
    a.acts(ACTS["visit"](a))
    assert a.read("Encounter", a.second)["status"] == "entered-in-error"
    (there,) = a.of("other", "Encounter")
    new = a.reading(RIGHT, there.id, "other")
    assert replaced(new.resource) == [old.reference]
    assert new.resource["valueQuantity"] == old.resource["valueQuantity"]
    assert a.read("Observation", old.id)["status"] == "entered-in-error"
    results = [o.resource for o in a.of("other") if is_derived(o.resource)]
    assert {each["code"]["coding"][0]["code"] for each in results} >= {"grip-summary", "grip-best"}


def test_a_reading_and_its_orthosis_are_moved_together(a: Attached) -> None:
    for part in ({"visits": [a.first]}, {"orthosis_episodes": [a.episode]}):
        with pytest.raises(Conflict, match="only one of the two"):
            a.plan({"act": "move", "to": {"id": "other"}, **part, **WHY})
    a.acts(ACTS["both"](a))
    with a.records.read() as reader:
        (old,), (new,) = (orthoses_of(reader, LOCAL, each) for each in ("made-up", "other"))
    assert (old.life.state, new.life.state) == ("entered-in-error", "worn")
    plan = a.read("ServiceRequest", new.episode.id)
    assert plan["replaces"] == [{"reference": f"ServiceRequest/{a.episode}"}]
    uses = {f"DeviceUseStatement/{event.id}" for event in new.episode.events if event.regimen}
    worn = [o.resource for o in a.of("other") if b"orthosis-worn" in o.body]
    assert len(worn) == 2  # the angle in the cast, and the hours of a day
    for each in worn:
        assert {e["valueReference"]["reference"] for e in each["extension"] if "orthosis-worn" in e["url"]} <= uses


def test_what_the_other_patient_cannot_have_is_refused_and_what_is_unlikely_asked(a: Attached) -> None:
    a.do(lambda w: record_detail(w, LOCAL, "Patient/other", LIFTING))
    assert a.plan(ACTS["visit"](a)).changes
    gripping = replace(LIFTING, what="no gripping", places=(Site("right", "hand"),), kinds=("grip-strength",))
    a.do(lambda w: record_detail(w, LOCAL, "Patient/other", gripping))
    with pytest.raises(NeedsConfirmation):
        a.plan(ACTS["visit"](a))
    a.acts({**ACTS["visit"](a), "confirmed": "Measured before anybody knew."})
    (there,) = a.of("other", "Encounter")
    assert b"Measured before anybody knew." in a.reading(RIGHT, there.id, "other").body


def test_what_is_no_reading_of_the_record_is_not_stated_anew(a: Attached) -> None:
    derived = next(o.id for o in a.of("made-up") if is_derived(o.resource))
    stated = joint("right", "index-pip", "flexion", "75")
    with pytest.raises(Invalid, match="Only a reading"):
        a.plan({"act": "correct-reading", "observation": derived, "reading": stated, **WHY})
    arc = {**stated, "motion": "extension-flexion", "value": "0-0-75", "convention": "neutral-zero"}
    with pytest.raises(Invalid, match="An arc is two readings"):
        a.plan({**ACTS["value"](a), "reading": arc})
    with pytest.raises(NotFound):
        a.plan({**ACTS["value"](a), "observation": "nobody"})
    document = ACTS["part"](a)
    a.acts(document)
    with pytest.raises(Conflict, match="withdrawn"):
        a.plan(document)


def test_an_act_lists_with_what_its_charges_have_left(a: Attached) -> None:
    charge = a.documents["ChargeItem"]
    with a.records.aside() as connection:
        keep(connection, [Line("e1", 1, "made-up", "charge", charge, 1, "", "")])
    expected = (Departure("export of charges", "e1", f"ChargeItem/{charge}"),)
    assert a.acts(ACTS["value"](a)).left == expected
    with a.records.read() as reader:
        assert affected(reader, LOCAL, ACTS["value"](a)["observation"]).left == expected


def test_where_a_value_went_is_told_as_far_as_one_may_see(a: Attached) -> None:
    ident = ACTS["value"](a)["observation"]
    with a.records.read() as reader:
        found = affected(reader, LOCAL, ident)
        by_student = affected(reader, Actor("s", "S. Invented", "student"), ident)
    assert found.withheld == 0
    assert {each.how for each in found.resting} == {
        "derived result", "document", "charge", "measured goal", "whole of an arc", "provenance",
    }  # fmt: skip
    assert "charge" not in {each.how for each in by_student.resting}
    assert by_student.withheld == 1
    done = a.acts(ACTS["part"](a))
    assert done.id
    with a.records.read() as reader:
        assert "replacement" in {each.how for each in affected(reader, LOCAL, ident).resting}


def test_the_state_of_a_part_stands_against_a_turned_reading(a: Attached) -> None:
    lost = PartState(Site("left", "index"), "absent", date(2026, 1, 1), "mcp")
    a.do(lambda w: record_state(w, LOCAL, "Patient/made-up", lost))
    with pytest.raises(Invalid, match="absent"):
        a.plan(ACTS["side"](a))
