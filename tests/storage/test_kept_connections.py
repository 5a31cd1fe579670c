"""Connections to a SQLite file stay open between uses: nothing of one use may be left to the next."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.domain.actor import LOCAL
from service.errors import NotFound
from service.storage.records import Records

PATIENT = {"resourceType": "Patient", "id": "p"}


def test_what_was_read_before_does_not_linger(sqlite_url: str) -> None:
    here, elsewhere = Records.open(sqlite_url), Records.open(sqlite_url)
    for version, gender in enumerate(("unknown", "other", "female"), start=1):
        with elsewhere.write(LOCAL) as writer:
            writer.update({**PATIENT, "gender": gender})
        with here.read() as reader:
            assert reader.get("Patient", "p").version == version
            assert reader.get("Patient", "p").resource["gender"] == gender
    here.close()
    elsewhere.close()


def test_a_reader_sees_one_state_although_its_connection_is_old(sqlite_records: Records) -> None:
    with sqlite_records.read() as reader:
        assert reader.find("Patient", "p") is None
    with sqlite_records.read() as reader:
        assert reader.find("Patient", "p") is None
        with sqlite_records.write(LOCAL) as writer:
            writer.update(PATIENT)
        assert reader.find("Patient", "p") is None
    with sqlite_records.read() as reader:
        assert reader.find("Patient", "p") is not None


def test_a_refusal_leaves_the_connection_as_it_was(sqlite_records: Records) -> None:
    with pytest.raises(NotFound), sqlite_records.read() as reader:
        reader.get("Patient", "p")
    with sqlite_records.write(LOCAL) as writer:
        writer.update(PATIENT)
    with sqlite_records.read() as reader:
        assert reader.get("Patient", "p").version == 1


def test_an_error_within_a_change_keeps_nobody_else_from_writing(sqlite_url: str) -> None:
    records = Records.open(sqlite_url)

    def fail() -> None:
        with records.write(LOCAL) as writer:
            writer.update(PATIENT)
            writer.flush()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    other = sqlite3.connect(sqlite_url.removeprefix("sqlite:///"), timeout=0)
    with other:
        other.execute("BEGIN IMMEDIATE")
        assert other.execute("SELECT count(*) FROM resource").fetchone() == (0,)
    other.close()
    records.close()


def test_a_connection_that_failed_is_not_kept(sqlite_records: Records) -> None:
    used = []

    def fail() -> None:
        with sqlite_records.read() as reader:
            used.append(reader._connection)
            reader._connection.execute(sa.text("SELECT * FROM no_such_table"))

    with pytest.raises(sa.exc.OperationalError):
        fail()
    with sqlite_records.read() as reader:
        assert reader._connection is not used[0]
        assert reader.find("Patient", "p") is None


def test_an_error_of_the_driver_leaves_as_one_of_sqlalchemy_without_values(sqlite_records: Records) -> None:
    def fail() -> None:
        with sqlite_records.write(LOCAL) as writer:
            writer.create(PATIENT, id="told-in-confidence")
            writer._made_up.add("told-in-confidence")
            writer.create(PATIENT, id="told-in-confidence")

    with pytest.raises(sa.exc.IntegrityError) as caught:
        fail()
    assert "told-in-confidence" not in str(caught.value)


def test_no_handle_is_left_when_the_record_is_closed(sqlite_url: str) -> None:
    handles = Path("/proc/self/fd")
    if not handles.exists():
        pytest.skip("only Linux shows which files a process has open")

    def open_files() -> list[str]:
        links = (each.readlink() for each in handles.iterdir() if each.is_symlink())
        return [str(link) for link in links if "record.sqlite" in link.name]

    records = Records.open(sqlite_url)
    with records.write(LOCAL) as writer, records.read() as reader:
        writer.update(PATIENT)
        assert reader.find("Patient", "p") is None
    assert open_files()
    records.close()
    assert open_files() == []
