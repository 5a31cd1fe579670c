"""What is erased is gone from every byte, what stays is untouched, and the trail stays whole."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.domain.actor import LOCAL
from service.errors import Conflict, Gone, Unavailable
from service.fhir.search_parameters import parse
from service.storage import scrub as scrubbing
from service.storage.audit_chain import Event
from service.storage.audit_log import EventLog
from service.storage.charge_exports import Line
from service.storage.engine import begin_reading, open_engine
from service.storage.erase import BY_NUMBER, KEPT
from service.storage.records import Records
from service.storage.research import Kept, Name
from service.storage.tables import metadata
from tests.storage.whole_record import MARK, bytes_of, change, fill, reading, ref, whole_text

OF_NOBODY_ELSE = {
    "Patient/m", "Encounter/m-visit", "Observation/m-one", "Observation/m-two", "Observation/m-sum",
    "Observation/m-of-sum", "Observation/m-panel", "Observation/m-deleted", "Goal/m-goal", "Flag/m-flag",
    "Procedure/m-fit", "Procedure/m-cut", "ChargeItem/m-charge", "Binary/m-file", "DocumentReference/m-letter",
    "Provenance/m-wrote", "Provenance/m-one-only", "Task/m-task",
}  # fmt: skip


@pytest.fixture
def filled(records: Records) -> Records:
    with records.write(LOCAL) as writer:
        fill(writer)
    with records.write(LOCAL) as writer:
        change(writer)
    log = EventLog(records)
    told = [
        Event(1, LOCAL, "search", "Patient", query=f"name={MARK}family", patients=("m", "o")),
        Event(2, LOCAL, "search", "Patient", query=f"phone={MARK}0664"),
        Event(3, LOCAL, "search", "Patient", query=f"family={MARK}FAMILY&given=x"),
        Event(4, LOCAL, "search", "Patient", query="name=other", patients=("o",)),
    ]
    log.put(told).result()
    log.close()
    return records


def names(keys: object) -> set[str]:
    return {f"{kind}/{ident}" for kind, ident in keys}  # type: ignore[attr-defined]


def test_a_plan_says_what_goes_and_changes_nothing(filled: Records, url: str) -> None:
    before = whole_text(url, own=True)
    with filled.read() as reader:
        plan = reader.erasure_plan("Patient", "m")
        assert names(one.key for one in plan.going) == OF_NOBODY_ELSE
        staying = {f"{kind}/{ident}" for kind, ident, _ in plan.staying}
        assert staying == {"Group/both", "Provenance/import", "Observation/moved"}
        assert plan.digest == reader.erasure_plan("Patient", "m").digest
    assert whole_text(url, own=True) == before
    with filled.write(LOCAL) as writer:
        writer.update(reading("m-two", "m", "changed"))
    with filled.read() as reader:
        assert reader.erasure_plan("Patient", "m").digest != plan.digest


def test_nothing_of_an_erased_patient_is_left_in_any_byte(filled: Records, url: str) -> None:
    assert MARK.encode() in bytes_of(url)
    with filled.read() as reader:
        others = {kind: [one.body for one in reader.of_patient("o", kind)] for kind in ("Observation", "Goal")}
    with filled.write(LOCAL) as writer:
        writer.erase(writer.erasure_plan("Patient", "m"), "e1")
    filled.scrub()
    assert MARK.casefold() not in whole_text(url).casefold()
    assert MARK.encode() not in bytes_of(url)
    with filled.read() as reader:
        assert {kind: [one.body for one in reader.of_patient("o", kind)] for kind in others} == others
        for name in sorted(OF_NOBODY_ELSE):
            kind, ident = name.split("/")
            for ask in (reader.get, reader.history, lambda kind, ident: reader.version(kind, ident, 1)):
                with pytest.raises(Gone, match="was erased; nothing of it is kept"):
                    ask(kind, ident)
        assert [entity["entity"] for entity in reader.get("Group", "both").resource["member"]] == [
            {"display": "erased"}, ref("Patient/o"),
        ]  # fmt: skip
        assert [one.version for one in reader.history("Observation", "moved")] == [2]
        assert reader.search(parse("Group", [("member", "Patient/m")])).matches == ()
        assert len(reader.search(parse("Group", [("member", "Patient/o")])).matches) == 1
        verdict = reader.verify_events()
        assert verdict.faults == ()
        said = [
            (one.query, one.patients) for one in reader.events(parse("AuditEvent", [("subtype", "search")])).entries
        ]
        assert said == [("name=other", ("o",)), ("", ()), ("", ()), ("", ("m", "o"))]


def test_a_reading_goes_with_all_that_rests_on_it(filled: Records) -> None:
    """What was computed from it, the panel with its words as entered, and its account; not the charge or goal."""
    with filled.write(LOCAL) as writer:
        plan = writer.erasure_plan("Observation", "m-one")
        writer.erase(plan, "e1")
    assert names(one.key for one in plan.going) == {
        "Observation/m-one", "Observation/m-sum", "Observation/m-of-sum", "Observation/m-panel",
        "Provenance/m-one-only",
    }  # fmt: skip
    with filled.read() as reader:
        assert reader.get("ChargeItem", "m-charge").resource["supportingInformation"] == [{"display": "erased"}]
        targets = reader.get("Provenance", "m-wrote").resource["target"]
        assert targets == [{"display": "erased"}, ref("Observation/m-two")]
        assert reader.get("Goal", "m-goal").version == 1
        assert reader.verify_events().faults == ()


def test_an_event_of_an_orthosis_goes_with_its_episode(filled: Records) -> None:
    with filled.read() as reader:
        plan = reader.erasure_plan("Procedure", "m-fit")
    assert {"Procedure/m-fit", "Procedure/m-cut", "Task/m-task"} == names(one.key for one in plan.going)


def test_an_attachment_that_somebody_else_needs_stays(filled: Records) -> None:
    shared = [{"attachment": {"url": "Binary/m-file"}}]
    other = {"resourceType": "DocumentReference", "id": "o-copy", "subject": ref("Patient/o"), "content": shared}
    with filled.write(LOCAL) as writer:
        writer.update(other)
        plan = writer.erasure_plan("Patient", "m")
    assert "Binary/m-file" not in names(one.key for one in plan.going)
    assert names(one.key for one in plan.going) == OF_NOBODY_ELSE - {"Binary/m-file"}


def test_patients_that_were_merged_are_one_person(filled: Records) -> None:
    with filled.write(LOCAL) as writer:
        for one, other, kind in (("m", "old", "replaces"), ("old", "m", "replaced-by")):
            link = [{"other": ref(f"Patient/{other}"), "type": kind}]
            writer.update({"resourceType": "Patient", "id": one, "link": link})
        plans = [writer.erasure_plan("Patient", ident) for ident in ("m", "old")]
    assert [plan.patients for plan in plans] == [("m", "old"), ("m", "old")]
    assert names(one.key for one in plans[0].going) == OF_NOBODY_ELSE | {"Patient/old"}
    assert plans[0].digest == plans[1].digest


def test_a_copy_elsewhere_does_not_bring_back_what_was_erased(filled: Records) -> None:
    with filled.write(LOCAL) as writer:
        writer.erase(writer.erasure_plan("Observation", "m-one"), "e1")
    with filled.write(LOCAL) as writer:
        for again in (writer.update, lambda document: writer.create(document, id=document["id"])):
            with pytest.raises(Gone, match="was erased; what is new needs another id"):
                again(reading("m-one", "m", "again"))


def test_what_still_names_the_person_is_listed(filled: Records) -> None:
    with filled.write(LOCAL) as writer:
        writer.update({"resourceType": "Composition", "id": "list", "title": f"called {MARK}0664 back"})
        plan = writer.erasure_plan("Patient", "m")
        assert plan.repeats == (("Composition", "list"),)


def test_an_erasure_is_undone_with_its_transaction(filled: Records, url: str) -> None:
    before = whole_text(url, own=True)

    def undone() -> None:
        with filled.write(LOCAL) as writer:
            writer.erase(writer.erasure_plan("Patient", "m"), "e1")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        undone()
    assert whole_text(url, own=True) == before


def test_a_legal_hold_prevents_deletion_until_it_is_lifted(filled: Records) -> None:
    with filled.write(LOCAL) as writer:
        hold = writer.keeping.place("m", "a court asked for it", "a", writer.note("legal-hold", ("Patient", "m")))
    for kind, ident in (("Goal", "m-goal"), ("Patient", "m")):
        with pytest.raises(Conflict, match="legal hold"), filled.write(LOCAL) as writer:
            writer.delete(kind, ident)
    with filled.write(LOCAL) as writer:
        writer.delete("Goal", "o-goal")
        writer.keeping.lift(hold, "b", writer.note("legal-hold", ("Patient", "m")))
        writer.delete("Goal", "m-goal")


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE event SET query = '', reason = '' WHERE act = 'search' AND patient = 'o'",
        "UPDATE event SET actor = 'somebody else' WHERE act = 'search' AND query = ''",
        "UPDATE event SET query = 'name=x' WHERE act = 'search' AND query = ''",
        "DELETE FROM emptied_event WHERE position = 1",
        "UPDATE emptied_event SET erasure = 'e2'",
        "INSERT INTO emptied_event SELECT chain, position, 'e1', digest FROM event WHERE query = 'name=other'",
    ],
)
def test_an_erasure_hides_no_forgery(filled: Records, url: str, damage: str) -> None:
    with filled.write(LOCAL) as writer:
        writer.erase(writer.erasure_plan("Patient", "m"), "e1")
    engine = open_engine(url)
    with engine.begin() as connection:
        assert connection.exec_driver_sql(damage.replace("%", "%%")).rowcount > 0
    engine.dispose()
    with filled.read() as reader:
        assert reader.verify_events().faults


def test_releases_and_exports_that_hold_it_are_listed(filled: Records) -> None:
    """A release by the names that patients have in its study, an export of charges by its lines."""
    with filled.write(LOCAL) as writer:
        research = writer.research
        research.keep_study("s", {})
        research.keep_names("s", [Name("Patient", "m", "m", "p-one", 0), Name("Patient", "o", "o", "p-two", 0)])
        for number, line in ((1, b"p-one p-two"), (2, b"p-two")):
            research.keep_release(Kept(f"r{number}", "s", number, 1, {}), {"Patient": line})
        lines = [
            Line(export, 1, patient, "charge", f"{patient}-charge", 1, f"{MARK} line", "{}")
            for export, patient in (("x1", "m"), ("x2", "o"))
        ]
        writer.export(lines)
        plan = writer.erasure_plan("Patient", "m")
        assert writer.holders(plan) == [("charge-export", "x1"), ("release", "r1")]
        writer.erase(plan, "e1")
        assert writer.holders("e1") == [("charge-export", "x1"), ("release", "r1")]
        assert [one.name for one in research.names("s")] == ["p-two"]


def test_every_table_has_its_place_in_an_erasure() -> None:
    """A table that somebody adds either carries the patient, hangs on a resource's number, or is named as kept."""
    by_number = {table.name for table in BY_NUMBER}
    for name, table in metadata.tables.items():
        assert name in KEPT or name in by_number or "patient" in table.c, f"what does an erasure do with {name}?"
    assert set(metadata.tables) >= KEPT


def test_statistics_keep_no_sample_of_what_was_erased(filled: Records, url: str) -> None:
    """Both databases' planners keep values of columns once somebody gathers statistics."""
    engine = open_engine(url)
    with engine.begin() as connection:
        connection.exec_driver_sql("ANALYZE")
    engine.dispose()
    with filled.write(LOCAL) as writer:
        writer.erase(writer.erasure_plan("Patient", "m"), "e1")
    scrub_alone(filled, url)
    assert MARK.casefold() not in whole_text(url).casefold()
    assert MARK.encode() not in bytes_of(url)


def scrub_alone(records: Records, url: str) -> None:
    """Scrub until no test beside this one, on the same server, held an older state meanwhile."""
    for _ in range(40):
        records.scrub()
        if MARK.encode() not in bytes_of(url):
            return
        time.sleep(0.25)


def test_scrubbing_waits_for_older_readers(sqlite_records: Records, sqlite_url: str) -> None:
    """While somebody reads a state from before, SQLite keeps that state in its log."""
    with sqlite_records.write(LOCAL) as writer:
        fill(writer)
    engine = sa.create_engine(sqlite_url)
    with engine.connect() as old:
        old.exec_driver_sql("BEGIN")
        old.exec_driver_sql("SELECT count(*) FROM resource").scalar()
        with sqlite_records.write(LOCAL) as writer:
            writer.erase(writer.erasure_plan("Patient", "m"), "e1")
        wal = Path(sqlite_url.removeprefix("sqlite:///") + "-wal")
        assert wal.stat().st_size > 0
    engine.dispose()
    sqlite_records.scrub()
    assert wal.stat().st_size == 0


def test_scrubbing_does_not_wait_for_ever(filled: Records, url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody who reads an older state makes it give up with a sentence; when they are done it does its work."""
    monkeypatch.setattr(scrubbing, "BUSY_SECONDS", 0.2)
    engine = sa.create_engine(url)
    with engine.connect() as old:
        begin_reading(old)
        old.exec_driver_sql("SELECT count(*) FROM resource").scalar()
        with filled.write(LOCAL) as writer:
            writer.erase(writer.erasure_plan("Patient", "m"), "e1")
        with pytest.raises(Unavailable, match="still reads a state of the record from before"):
            filled.scrub()
        old.rollback()
    engine.dispose()
    monkeypatch.undo()
    scrub_alone(filled, url)
    assert MARK.encode() not in bytes_of(url)
