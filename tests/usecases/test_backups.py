"""A backup is whole, a restore is all or nothing, and neither brings back what was erased."""

from __future__ import annotations

import json
import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest
from alembic import command, op

from service.domain.actor import LOCAL, Actor
from service.errors import Conflict, Forbidden, Gone, Malformed, Misconfigured
from service.fhir.search_parameters import parse
from service.storage.backup import check_backup, digests, opened
from service.storage.engine import open_engine
from service.storage.migrations.run import config
from service.storage.records import Records, migrate
from service.storage.tables import REVISION
from service.usecases import backups, erasure
from service.usecases.audit import attended
from service.usecases.backups import make_backup, require_settings, restore, verify_backup
from tests.storage.whole_record import MARK, bytes_of, change, fill, reading, whole_text

ANNA, BERT = (Actor(name.casefold(), name, "administrator") for name in ("Anna", "Bert"))


@pytest.fixture
def filled(records: Records) -> Records:
    with records.write(LOCAL) as writer:
        fill(writer)
    with records.write(LOCAL) as writer:
        change(writer)
    with attended(records, LOCAL), records.read() as reader:
        erasure.listed(reader, LOCAL)
    return records


@pytest.fixture
def file(filled: Records, tmp_path: Path) -> Path:
    path = tmp_path / "clinic.backup"
    make_backup(filled, LOCAL, path)
    return path


@pytest.fixture
def empty(empty_url: str) -> Iterator[Records]:
    made = Records.create(empty_url)
    yield made
    made.close()


def erased(records: Records, target: str, ledger: Path) -> None:
    with records.write(ANNA) as writer:
        shown = erasure.ask(writer, ANNA, target, "asked for in writing")
    assert shown.scope
    erasure.approve_whole(records, BERT, shown.erasure.id, shown.scope.seen, ledger=ledger)


def documents(records: Records) -> dict[str, list[bytes]]:
    with records.read() as reader:
        kinds = ("Patient", "Observation", "Goal", "Group", "Provenance", "Binary")
        return {kind: [one.body for one in reader.search(parse(kind, [])).matches] for kind in kinds}


def test_a_backup_is_restored_whole_into_either_database(filled: Records, file: Path, empty: Records) -> None:
    """Each database's backup into each database: documents, versions, index, trail, to the last row."""
    contents = check_backup(file)
    assert contents.tables["resource"][0] > 30
    done = restore(empty, LOCAL, file, None)
    assert done.contents == contents
    assert documents(empty) == documents(filled)
    changed = {"meta", "txn", "event", "event_chain", "backup"}  # the restore itself is written down
    now = empty.digests()
    assert {name: now[name] for name in now if name not in changed} == {
        name: told for name, told in contents.tables.items() if name not in changed
    }
    with empty.read() as reader:
        assert reader.verify_events().faults == ()
        assert next(one.query for one in reader.trail()) == f"restored={contents.id}"
        assert [one.id for one in reader.keeping.backups()] == [contents.id]
        assert [one.version for one in reader.history("Observation", "m-one")] == [2, 1]
    with empty.write(LOCAL) as writer:
        writer.update(reading("after", "o", "after"))
    with empty.read() as reader:
        assert reader.verify_events().faults == ()


def test_a_backup_is_the_owners_alone_and_overwrites_nothing(filled: Records, file: Path, tmp_path: Path) -> None:
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    before = file.read_bytes()
    with pytest.raises(Conflict, match="overwrites none"):
        make_backup(filled, LOCAL, file)
    assert file.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir() if "clinic.backup" in path.name] == ["clinic.backup"]
    with pytest.raises(Forbidden):
        make_backup(filled, Actor("x", "X", "clinician"), tmp_path / "other.backup")


def test_a_backup_is_taken_while_others_write(filled: Records, tmp_path: Path) -> None:
    """Pairs are written together, again and again: each backup has both of a pair, or neither."""
    stop, failed = Event(), []

    def write() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            try:
                with filled.write(LOCAL) as writer:
                    for side in ("left", "right"):
                        writer.update(reading(f"{side}-{number}", "o", "pair"))
            except Conflict as error:
                failed.append(error)

    thread = Thread(target=write)
    thread.start()
    try:
        made = [make_backup(filled, LOCAL, tmp_path / f"{number}.backup") for number in range(3)]
    finally:
        stop.set()
        thread.join()
    assert failed == []
    counts = []
    for number in range(3):
        with closing(sqlite3.connect(tmp_path / f"{number}.backup")) as copy:
            sides = [
                copy.execute("SELECT count(*) FROM resource WHERE id LIKE ?", (f"{side}-%",)).fetchone()[0]
                for side in ("left", "right")
            ]
            assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert sides[0] == sides[1]
        counts.append(sides[0])
    assert counts[0] < counts[2], "nobody wrote meanwhile"
    assert len({one.contents.id for one in made}) == 3


def _cut(file: Path) -> None:
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def _alter(statement: str) -> Callable[[Path], None]:
    def alter(file: Path) -> None:
        with closing(sqlite3.connect(file)) as copy, copy:
            assert copy.execute(statement).rowcount

    return alter


DAMAGES: list[Callable[[Path], Any]] = [
    _cut, lambda file: file.write_bytes(b""), lambda file: file.write_text("no database"), Path.unlink,
    _alter("UPDATE resource SET body = replace(body, 'given', 'other') WHERE type = 'Patient'"),
    _alter("DELETE FROM resource_version WHERE version = 1"),
    _alter("UPDATE event SET actor = 'somebody else' WHERE position = 2"),
    _alter("DELETE FROM event WHERE position = 2"),
    _alter("UPDATE backup_info SET value = 'other' WHERE key = 'format'"),
    _alter("UPDATE backup_info SET value = '[]' WHERE key = 'tables'"),
    _alter("DELETE FROM backup_info WHERE key = 'id'"),
]  # fmt: skip


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_backup_is_refused_and_nothing_is_restored(
    sqlite_records: Records, tmp_path: Path, damage: Callable[[Path], Any]
) -> None:
    with sqlite_records.write(LOCAL) as writer:
        fill(writer)
        writer.update(reading("m-two", "m", "again"))
    file = tmp_path / "clinic.backup"
    make_backup(sqlite_records, LOCAL, file)
    damage(file)
    into = tmp_path / "into"
    into.mkdir()
    target = Records.create(f"sqlite:///{into / 'new.sqlite'}")
    with pytest.raises(Malformed):
        restore(target, LOCAL, file, None)
    assert target.digests()["txn"][0] == 0
    target.close()


def test_a_rewritten_backup_whose_sums_were_rewritten_too_is_found_by_its_trail(
    sqlite_records: Records, tmp_path: Path
) -> None:
    with sqlite_records.write(LOCAL) as writer:
        fill(writer)
    file = tmp_path / "clinic.backup"
    make_backup(sqlite_records, LOCAL, file)
    _alter("DELETE FROM event WHERE position = 2")(file)
    with opened(file) as (_, connection):
        sums = digests(connection)
    with closing(sqlite3.connect(file)) as copy, copy:
        copy.execute("UPDATE backup_info SET value = ? WHERE key = 'tables'", (json.dumps(sums),))
    check_backup(file)
    with pytest.raises(Malformed, match="trail"):
        verify_backup(file, LOCAL)


def test_a_record_that_was_written_to_is_never_restored_over(filled: Records, file: Path, url: str) -> None:
    before = whole_text(url, own=True)
    with pytest.raises(Conflict, match="empty record only"):
        restore(filled, LOCAL, file, None)
    assert whole_text(url, own=True) == before


def test_what_was_erased_since_is_erased_again(filled: Records, file: Path, empty: Records, empty_url: str) -> None:
    """The ledger travels apart from the backup; the restored record is rid of it in every byte, and knows why."""
    ledger = file.with_name("erasures.json")
    erased(filled, "Observation/o-one", ledger)
    erased(filled, "Patient/m", ledger)
    done = restore(empty, LOCAL, file, ledger)
    assert len(done.erased_again) == 2
    assert MARK.casefold() not in whole_text(empty_url).casefold()
    assert MARK.encode() not in bytes_of(empty_url)
    with empty.read() as reader:
        for kind, ident in (("Patient", "m"), ("Observation", "m-one"), ("Observation", "o-one")):
            with pytest.raises(Gone, match="erased"):
                reader.get(kind, ident)
        assert reader.get("Patient", "o")
        assert reader.verify_events().faults == ()
        told = reader.keeping.erasures("erased")
        assert {one.target for one in told} == {("Patient", "m"), ("Observation", "o-one")}
        assert all(one.cleaned for one in told)
    with filled.read() as reader:
        original = {key for one in reader.keeping.erasures("erased") for key in reader.keeping.tombs(one.id)}
    with empty.read() as reader:
        assert {key for one in reader.keeping.erasures("erased") for key in reader.keeping.tombs(one.id)} == original


def test_an_erasure_of_what_the_backup_has_not_keeps_its_id_closed(filled: Records, file: Path, empty: Records) -> None:
    """What came and went after the backup does not come back by a copy elsewhere."""
    ledger = file.with_name("erasures.json")
    with filled.write(LOCAL) as writer:
        writer.update({"resourceType": "Patient", "id": "later"})
    erased(filled, "Patient/later", ledger)
    assert restore(empty, LOCAL, file, ledger).erased_again == ()
    with pytest.raises(Gone), empty.write(LOCAL) as writer:
        writer.update({"resourceType": "Patient", "id": "later"})


def test_a_backup_made_after_an_erasure_needs_nothing_erased_again(
    filled: Records, tmp_path: Path, empty: Records
) -> None:
    ledger, file = tmp_path / "erasures.json", tmp_path / "late.backup"
    erased(filled, "Patient/m", ledger)
    make_backup(filled, LOCAL, file)
    assert MARK.encode() not in file.read_bytes()
    assert restore(empty, LOCAL, file, ledger).erased_again == ()
    with empty.read() as reader:
        assert reader.verify_events().faults == ()


def test_a_failing_restore_leaves_an_empty_record(
    filled: Records, file: Path, empty: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = file.with_name("erasures.json")
    erased(filled, "Patient/m", ledger)
    before = empty.digests()

    def broken(*_: object) -> None:
        raise RuntimeError("stop")

    with monkeypatch.context() as patched:
        patched.setattr(backups, "carry_out", broken)
        with pytest.raises(RuntimeError):
            restore(empty, LOCAL, file, ledger)
    assert empty.digests() == before
    assert restore(empty, LOCAL, file, ledger).erased_again


@pytest.mark.parametrize("ledger", ["", "{}", '{"format": "handrecord-erasures-1", "erasures": [{"id": 1}]}'])
def test_a_ledger_that_cannot_be_read_restores_nothing(sqlite_records: Records, tmp_path: Path, ledger: str) -> None:
    file, book = tmp_path / "clinic.backup", tmp_path / "erasures.json"
    with sqlite_records.write(LOCAL) as writer:
        fill(writer)
    make_backup(sqlite_records, LOCAL, file)
    book.write_text(ledger)
    target = Records.create(f"sqlite:///{tmp_path / 'new.sqlite'}")
    with pytest.raises(Malformed, match="ledger"):
        restore(target, LOCAL, file, book)
    assert target.digests()["txn"][0] == 0
    target.close()


def test_a_backup_of_a_newer_schema_is_refused_with_what_to_do(sqlite_records: Records, tmp_path: Path) -> None:
    file = tmp_path / "clinic.backup"
    make_backup(sqlite_records, LOCAL, file)
    _alter("UPDATE alembic_version SET version_num = '9999'")(file)
    target = Records.create(f"sqlite:///{tmp_path / 'new.sqlite'}")
    with pytest.raises(Misconfigured, match=f"schema 9999, newer than {REVISION}"):
        restore(target, LOCAL, file, None)
    target.close()


def test_a_restored_record_waits_for_its_settings(sqlite_records: Records, tmp_path: Path) -> None:
    file = tmp_path / "clinic.backup"
    make_backup(sqlite_records, LOCAL, file, ["HANDRECORD_OIDC_ISSUER", "HANDRECORD_ZONE"])
    require_settings(sqlite_records, [])
    target = Records.create(f"sqlite:///{tmp_path / 'new.sqlite'}")
    assert restore(target, LOCAL, file, None).awaited == ("HANDRECORD_OIDC_ISSUER", "HANDRECORD_ZONE")
    with pytest.raises(Misconfigured, match="HANDRECORD_OIDC_ISSUER") as refused:
        require_settings(target, ["HANDRECORD_ZONE"])
    assert "HANDRECORD_ZONE" not in str(refused.value)
    require_settings(target, ["HANDRECORD_ZONE", "HANDRECORD_OIDC_ISSUER"])
    target.close()


def test_an_older_backup_is_brought_to_this_schema(sqlite_records: Records, tmp_path: Path) -> None:
    """A backup as the release before the newest migration would have made it, for every table that it had."""
    file = tmp_path / "clinic.backup"
    with sqlite_records.write(LOCAL) as writer:
        fill(writer)
    make_backup(sqlite_records, LOCAL, file)
    newest = _tables_of_the_newest_migration(tmp_path)
    with closing(sqlite3.connect(file)) as copy, copy:
        sums = json.loads(copy.execute("SELECT value FROM backup_info WHERE key = 'tables'").fetchone()[0])
        for name in newest:
            copy.execute(f"DROP TABLE {name}")
            del sums[name]
        copy.execute("UPDATE backup_info SET value = ? WHERE key = 'tables'", (json.dumps(sums),))
        copy.execute("UPDATE alembic_version SET version_num = ?", (f"{int(REVISION) - 1:04}",))
    target = Records.create(f"sqlite:///{tmp_path / 'new.sqlite'}")
    restore(target, LOCAL, file, None)
    assert documents(target) == documents(sqlite_records)
    target.close()


def _tables_of_the_newest_migration(folder: Path) -> set[str]:
    found = []
    for number in (int(REVISION) - 1, int(REVISION)):
        engine = open_engine(f"sqlite:///{folder / f'schema-{number}.sqlite'}")
        with engine.begin() as connection:
            command.upgrade(config(connection), f"{number:04}")
            rows = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'")
            found.append({row[0] for row in rows})
        engine.dispose()
    return found[1] - found[0]


def test_reindexing_gives_the_same_rows_and_answers(filled: Records, url: str) -> None:
    """Every row of the index is taken away or spoilt; what is derived again is what was there, row for row."""
    before = {name: filled.digests()[name] for name in ("observation", "search_index", "resource")}
    engine = open_engine(url)
    with engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM observation WHERE patient = 'm'")
        connection.exec_driver_sql("UPDATE search_index SET value = 'spoilt' WHERE lo IS NULL")
        connection.exec_driver_sql("UPDATE resource SET patient = 'nobody' WHERE type = 'Goal'")
    engine.dispose()
    assert {name: filled.digests()[name] for name in before} != before
    assert backups.reindex(filled, LOCAL) > 30
    assert {name: filled.digests()[name] for name in before} == before
    with filled.read() as reader:
        assert len(reader.search(parse("Patient", [("family", f"{MARK}family")])).matches) == 1
        assert reader.verify_events().faults == ()


def test_migrating_is_resumed_where_it_broke_off(empty_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A migration that fails halfway leaves the schema as it was; run again, it does the whole."""
    made, real = [], op.create_index

    def breaking(*args: Any, **more: Any) -> Any:
        made.append(args)
        if len(made) == 5:
            raise RuntimeError("stop")
        return real(*args, **more)

    with monkeypatch.context() as patched:
        patched.setattr(op, "create_index", breaking)
        with pytest.raises(RuntimeError, match="stop"):
            migrate(empty_url)
    with pytest.raises(Misconfigured, match="no tables yet"):
        Records.open(empty_url)
    migrate(empty_url)
    Records.open(empty_url).close()


def test_a_backup_is_listed_with_when_it_was_made(filled: Records, file: Path) -> None:
    with filled.read() as reader:
        (told,) = reader.keeping.backups()
    assert told.name == "clinic.backup"
    assert told.at <= datetime.now(UTC)
