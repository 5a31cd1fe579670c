"""What is written down of who did what, and that nobody can remove or alter it unnoticed."""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
import sqlalchemy as sa

from service.domain.actor import LOCAL, Actor
from service.errors import NotFound
from service.fhir.search_parameters import parse
from service.storage.audit_chain import START, Chain, Event, content_of, digest_of, link_of
from service.storage.audit_check import Verdict
from service.storage.audit_log import EventLog
from service.storage.audit_tables import event, event_chain, event_patient
from service.storage.engine import open_engine
from service.storage.migrations.run import config
from service.storage.records import Records, Writer, migrate

READER = Actor("reader-1", "Rita Invented", "clinician", client="desk", source="192.0.2.7")


def patient(ident: str) -> dict[str, Any]:
    return {"resourceType": "Patient", "id": ident, "active": True}


def shown(*patients: str, act: str = "read", ident: str = "") -> Event:
    return Event(time.time_ns() // 1000, READER, act, "Patient", ident, 1 if ident else 0, patients)


@pytest.fixture
def filled(records: Records) -> Records:
    """Three changes in two transactions, and six readings by two processes."""
    with records.write(LOCAL) as writer:
        writer.update(patient("a"))
        writer.update(patient("b"))
    with records.write(LOCAL) as writer:
        writer.delete("Patient", "b")
    for _ in range(2):
        log = EventLog(records)
        log.put([shown("a", ident="a"), shown("a", "b", act="search")]).result(10)
        log.put([shown(act="search")]).result(10)
        log.close()
    return records


def check(records: Records, noted: dict[int, tuple[int, str]] | None = None) -> Verdict:
    with records.read() as reader:
        return reader.verify_events(noted)


def tamper(records: Records, statement: sa.Executable) -> None:
    with records.aside() as connection:
        connection.execute(statement)


def test_what_is_untouched_is_whole(filled: Records) -> None:
    verdict = check(filled)
    assert verdict.faults == ()
    assert verdict.events == 9
    assert {chain: length for chain, (length, _) in verdict.heads.items()} == {0: 3, 1: 3, 2: 3}


def test_an_empty_record_is_whole(records: Records) -> None:
    assert check(records).faults == ()
    assert check(records).events == 0


def test_the_chain_is_what_it_says_it_is(filled: Records) -> None:
    """The links, computed here from the digests alone with the standard library's SHA-256."""
    with filled.read() as reader:
        rows = reader._connection.execute(sa.select(event).where(event.c.chain == 0).order_by(event.c.position)).all()
    link = START
    for row in rows:
        link = hashlib.sha256((link + row.digest).encode()).hexdigest()
        assert row.link == link
    assert check(filled).heads[0] == (3, link)


COLUMNS: dict[str, Any] = {
    "at": 1, "actor": "another", "actor_name": "Another", "actor_role": "biller", "client": "x", "source": "x",
    "act": "vread", "type": "Observation", "id": "z", "version": 9, "patient": "z", "outcome": "8", "query": "x",
    "reason": "another reason", "digest": "0" * 64, "link": "0" * 64,
}  # fmt: skip


@pytest.mark.parametrize("column", COLUMNS)
def test_every_altered_column_is_found(sqlite_url: str, column: str) -> None:
    records = Records.open(sqlite_url)
    log = EventLog(records)
    log.put([shown("a", ident="a") for _ in range(3)]).result(10)
    log.close()
    assert check(records).faults == ()
    changed = sa.update(event).where(event.c.chain == 1, event.c.position == 2).values({column: COLUMNS[column]})
    tamper(records, changed)
    found = check(records).faults
    assert {(fault.chain, fault.position) for fault in found} >= {(1, 2)}
    records.close()


def test_every_column_is_tried() -> None:
    assert set(COLUMNS) == {column.name for column in event.c} - {"chain", "position"}


own = event.c
REMOVALS: dict[str, list[Any]] = {
    "an event in the middle": [sa.delete(event).where(own.chain == 1, own.position == 2)],
    "the last event": [sa.delete(event).where(own.chain == 1, own.position == 3)],
    "the last event with its count": [
        sa.delete(event).where(own.chain == 1, own.position == 3),
        sa.update(event_chain).where(event_chain.c.chain == 1).values(length=2),
    ],
    "the first event": [sa.delete(event).where(own.chain == 1, own.position == 1)],
    "all events of a chain": [sa.delete(event).where(own.chain == 1)],
    "a chain with its end": [
        sa.delete(event).where(own.chain == 1),
        sa.delete(event_chain).where(event_chain.c.chain == 1),
    ],
    "the end of a chain alone": [sa.delete(event_chain).where(event_chain.c.chain == 2)],
    "a patient of a search": [sa.delete(event_patient).where(event_patient.c.patient == "b")],
    "all patients of a search": [sa.delete(event_patient).where(event_patient.c.chain == 1)],
    "a change": [sa.delete(event).where(own.chain == 0, own.position == 2)],
    "two events exchanged": [
        sa.update(event).where(own.chain == 1, own.position == 1).values(position=99),
        sa.update(event).where(own.chain == 1, own.position == 2).values(position=1),
        sa.update(event).where(own.chain == 1, own.position == 99).values(position=2),
    ],
    "a patient added to a search": [sa.insert(event_patient).values(patient="z", chain=1, position=2)],
    "a patient of no event": [sa.insert(event_patient).values(patient="z", chain=1, position=77)],
    "an event renumbered into another chain": [
        sa.update(event).where(own.chain == 1, own.position == 3).values(chain=2, position=4)
    ],
}  # fmt: skip


@pytest.mark.parametrize("what", REMOVALS)
def test_every_removal_is_found(filled: Records, what: str) -> None:
    for statement in REMOVALS[what]:
        tamper(filled, statement)
    assert check(filled).faults, what


def _rebuilt(records: Records, number: int, keep: Callable[[int], bool]) -> None:
    """What an attacker does who knows the code: take events out and compute the whole chain anew."""
    with records.aside() as connection:
        rows = connection.execute(sa.select(event).where(own.chain == number).order_by(own.position)).all()
        connection.execute(sa.delete(event).where(own.chain == number))
        link, position = START, 0
        for row in rows:
            if keep(row.position):
                position += 1
                actor = Actor(row.actor, row.actor_name, row.actor_role, client=row.client, source=row.source)
                told = (row.at, actor, row.act, row.type, row.id, row.version, (row.patient,), row.outcome, row.query)
                patients = (row.patient,) if row.patient else ()
                content = content_of(number, position, Event(*told), patients)
                digest = digest_of(content, patients)
                link = link_of(link, digest)
                connection.execute(sa.insert(event).values((*content, digest, link)))
        end = event_chain.c
        connection.execute(sa.update(event_chain).where(end.chain == number).values(length=position, head=link))


def test_a_change_taken_out_of_a_chain_made_anew_is_found_by_its_version(filled: Records) -> None:
    _rebuilt(filled, 0, lambda position: position != 2)
    assert [fault.message for fault in check(filled).faults] == [
        "The event that made Patient/b, version 1, is missing."
    ]


def test_a_chain_made_anew_is_found_by_its_head_kept_elsewhere(sqlite_records: Records) -> None:
    log = EventLog(sqlite_records)
    log.put([shown("a", ident="a"), shown("b", ident="b"), shown("a", ident="a")]).result(10)
    noted = check(sqlite_records).heads
    log.put([shown("a", ident="a")]).result(10)
    log.close()
    assert check(sqlite_records, noted).faults == ()
    _rebuilt(sqlite_records, 1, lambda position: position != 2)
    assert check(sqlite_records).faults == ()
    assert check(sqlite_records, noted).faults
    assert check(sqlite_records, {9: (1, START)}).faults


def test_a_change_and_its_event_come_and_go_together(records: Records) -> None:
    def fail(block: AbstractContextManager[Writer | None], writer: Writer | None, ident: str) -> None:
        with block as opened:
            (writer or opened).update(patient(ident))  # type: ignore[union-attr]
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail(records.write(LOCAL), None, "lost")
    with records.write(LOCAL) as writer:
        writer.update(patient("kept"))
        with pytest.raises(ZeroDivisionError):
            fail(writer.attempt(), writer, "undone")
        with writer.attempt():
            writer.update(patient("kept-too"))
    with records.read() as reader:
        assert [one.id for one in reader.trail()] == ["kept-too", "kept"]
    assert check(records).faults == ()


def test_a_resource_that_moves_shows_in_both_records(records: Records) -> None:
    flag = {"resourceType": "Flag", "id": "f", "status": "active", "code": {"text": "invented"}}
    with records.write(LOCAL) as writer:
        writer.update({**flag, "subject": {"reference": "Patient/a"}})
        writer.update({**flag, "subject": {"reference": "Patient/b"}})
    with records.read() as reader:
        for ident, versions in (("a", [2, 1]), ("b", [2])):
            found = reader.events(parse("AuditEvent", [("patient", f"Patient/{ident}")]))
            assert [entry.version for entry in found.entries] == versions


def test_nobody_is_answered_before_the_commit(filled: Records) -> None:
    log = EventLog(filled)
    threads = [
        threading.Thread(target=lambda n=n: log.put([shown("a", ident=f"p{n}")]).result(10)) for n in range(20)
    ]  # fmt: skip
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with filled.read() as reader:
        found = reader.events(parse("AuditEvent", [("entity", ",".join(f"Patient/p{n}" for n in range(20)))]))
    assert len(found.entries) == 20
    log.close()
    assert check(filled).faults == ()


def test_an_event_that_cannot_be_written_is_an_error_for_who_waits(sqlite_records: Records) -> None:
    log = EventLog(sqlite_records)
    log.put([shown("a")]).result(10)
    tamper(sqlite_records, sa.update(event_chain).where(event_chain.c.chain == 1).values(length=7))
    with pytest.raises(Exception, match="chain 1 does not end at 1"):
        log.put([shown("b")]).result(10)
    log.put([shown("c")]).result(10)
    log.close()
    assert {fault.chain for fault in check(sqlite_records).faults} == {1}


def test_a_log_closed_unused_or_twice_does_nothing(sqlite_records: Records) -> None:
    log = EventLog(sqlite_records)
    log.close()
    log.close()
    assert set(check(sqlite_records).heads) == {0}


def test_events_are_searched(filled: Records) -> None:
    def keys(*pairs: tuple[str, str]) -> list[str]:
        with filled.read() as reader:
            return [entry.key for entry in reader.events(parse("AuditEvent", pairs)).entries]

    assert len(keys()) == 9
    assert sorted(keys(("patient", "a"))) == ["0-1", "1-1", "1-2", "2-1", "2-2"]
    assert sorted(keys(("patient", "Patient/b"))) == ["0-2", "0-3", "1-2", "2-2"]
    assert sorted(keys(("agent", "Practitioner/reader-1"))) == ["1-1", "1-2", "1-3", "2-1", "2-2", "2-3"]
    assert keys(("agent", "Device/reader-1")) == []
    assert sorted(keys(("altid", "local-user"))) == ["0-1", "0-2", "0-3"]
    assert keys(("action", "D")) == ["0-3"]
    assert sorted(keys(("action", "E"))) == ["1-2", "1-3", "2-2", "2-3"]
    assert keys(("outcome", "4")) == []
    assert keys(("entity", "Patient/b"), ("action", "C")) == ["0-2"]
    assert keys(("_id", "0-2,1-1,nonsense")) == ["1-1", "0-2"]
    today = f"{time.gmtime().tm_year}"
    assert len(keys(("date", f"ge{today}"))) == 9
    assert keys(("date", "lt2020-01-01")) == []
    assert keys(("date", f"eb{today}")) == []


def test_pages_of_events_neither_miss_nor_repeat(filled: Records) -> None:
    seen, cursor = [], ""
    with filled.read() as reader:
        whole = reader.events(parse("AuditEvent", [("_total", "accurate")]))
        while True:
            pairs = [("_count", "2"), *([("_cursor", cursor)] if cursor else [])]
            page = reader.events(parse("AuditEvent", pairs))
            seen += [entry.key for entry in page.entries]
            if not page.next:
                break
            cursor = page.next
    assert whole.total == 9
    assert seen == [entry.key for entry in whole.entries]


@pytest.mark.parametrize("key", ["0-99", "9-1", "x", "0-1-1", "-1-1", "99999999999-1"])
def test_there_is_no_such_event(filled: Records, key: str) -> None:
    with filled.read() as reader, pytest.raises(NotFound):
        reader.event(key)


def test_a_token_id_works_once_until_it_expired(records: Records) -> None:
    soon = int(time.time()) + 60
    assert records.first_use("lab", "t-1", soon)
    assert not records.first_use("lab", "t-1", soon)
    assert records.first_use("far", "t-1", soon)
    assert records.first_use("lab", "t-2", int(time.time()) - 1)
    assert records.first_use("lab", "t-2", soon)


def test_changes_written_before_there_were_chains_are_taken_over(empty_url: str) -> None:
    from alembic import command

    engine = open_engine(empty_url)
    with engine.begin() as connection:
        command.upgrade(config(connection), "0001")
    with engine.begin() as connection:
        for number in (1, 2):
            connection.exec_driver_sql(
                "INSERT INTO audit (txn, position, patient, at, actor, actor_name, actor_role, act, type, id, version) "
                f"VALUES ({number}, 1, 'a', {number}, 'x', 'X', 'clinician', 'create', 'Patient', 'p{number}', 1)"
            )
    engine.dispose()
    migrate(empty_url)
    records = Records.open(empty_url)
    assert check(records).faults == ()
    with records.read() as reader:
        found = [(one.number, one.id, one.actor.id) for one in reader.trail()]
    assert found == [((0, 2), "p2", "x"), ((0, 1), "p1", "x")]
    records.close()


def test_writers_of_two_processes_share_no_chain(sqlite_records: Records) -> None:
    one, other = EventLog(sqlite_records), EventLog(sqlite_records)
    for _ in range(5):
        one.put([shown("a")]).result(10)
        other.put([shown("b")]).result(10)
    one.close()
    other.close()
    verdict = check(sqlite_records)
    assert (verdict.faults, set(verdict.heads)) == ((), {0, 1, 2})


def test_a_chain_has_one_writer(sqlite_records: Records) -> None:
    log = EventLog(sqlite_records)
    log.put([shown("a")]).result(10)
    log.close()
    with sqlite_records.aside() as connection:
        chain = Chain.of(connection, 1)
    with sqlite_records.aside() as connection:
        chain.append(connection, [shown("b")])
    with pytest.raises(sa.exc.IntegrityError), sqlite_records.aside() as connection:
        chain.append(connection, [shown("c")])
    assert check(sqlite_records).faults == ()


def test_the_record_is_still_open_for_changes(sqlite_records: Records) -> None:
    """A reader's event waits for a writer, and does not get in its way."""
    log = EventLog(sqlite_records)
    with sqlite_records.write(LOCAL) as writer:
        waiting = log.put([shown("a")])
        writer.update(patient("a"))
        time.sleep(0.05)
        assert not waiting.done()
    assert waiting.result(10) is None
    log.close()
