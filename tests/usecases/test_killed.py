"""A process killed on unfinished work leaves all of it or nothing, the trail whole, and the work can be done again."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from service.domain.actor import LOCAL
from service.errors import Misconfigured
from service.exchange.files import import_file
from service.fhir.search_parameters import parse
from service.storage.records import Records, migrate
from service.usecases import erasure
from service.usecases.backups import check_backup, make_backup, reindex, restore
from service.usecases.erasure_ledger import read_ledger, write_ledger
from tests.storage.whole_record import MARK, bytes_of, change, fill, whole_text

PROGRAM = Path(__file__).with_name("stopping_unfinished.py")
ROOT = Path(__file__).parents[2]


def killed(url: str, work: str, folder: Path) -> None:
    """Begin the work in a process of its own, and kill it when it says that it is unfinished."""
    command = [sys.executable, str(PROGRAM), url, work, str(folder)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"unfinished\n", "it ended before it was killed"
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert process.returncode == -signal.SIGKILL


@pytest.fixture
def filled(records: Records) -> Records:
    with records.write(LOCAL) as writer:
        fill(writer)
    with records.write(LOCAL) as writer:
        change(writer)
    return records


def require_whole(records: Records) -> None:
    with records.read() as reader:
        assert reader.verify_events().faults == ()


def test_a_visit_is_there_whole_or_not_at_all(filled: Records, url: str, tmp_path: Path) -> None:
    before = whole_text(url, own=True)
    killed(url, "visit", tmp_path)
    assert whole_text(url, own=True) == before
    require_whole(filled)


def test_an_erasure_took_all_or_nothing(filled: Records, url: str, tmp_path: Path) -> None:
    with filled.write(LOCAL) as writer:
        shown = erasure.ask(writer, LOCAL, "Patient/m", "asked for in writing", by="Anna")
    before = whole_text(url, own=True)
    killed(url, "erase", tmp_path)
    assert whole_text(url, own=True) == before
    assert not (tmp_path / "erasures.json").exists()
    require_whole(filled)
    assert shown.scope
    erasure.approve_whole(filled, LOCAL, shown.erasure.id, shown.scope.seen, by="Bert")
    assert MARK.encode() not in bytes_of(url)
    require_whole(filled)


def test_traces_that_were_left_are_known_and_removed_later(filled: Records, url: str, tmp_path: Path) -> None:
    """Killed between the erasure and the rewriting of the files: what was erased is gone, its traces are not yet."""
    with filled.write(LOCAL) as writer:
        erasure.ask(writer, LOCAL, "Patient/m", "asked for in writing", by="Anna")
    killed(url, "traces", tmp_path)
    assert MARK not in whole_text(url, own=True)
    with filled.read() as reader:
        assert [one.cleaned for one in erasure.listed(reader, LOCAL)] == [None]
    assert len(read_ledger(tmp_path / "erasures.json")) == 1
    assert len(erasure.finish(filled, LOCAL, tmp_path / "erasures.json")) == 1
    assert MARK.encode() not in bytes_of(url)
    require_whole(filled)


def test_a_restore_brought_back_all_or_nothing(filled: Records, empty_url: str, tmp_path: Path) -> None:
    make_backup(filled, LOCAL, tmp_path / "clinic.backup")
    with filled.write(LOCAL) as writer:
        shown = erasure.ask(writer, LOCAL, "Patient/m", "asked for in writing", by="Anna")
    assert shown.scope
    erasure.approve_whole(filled, LOCAL, shown.erasure.id, shown.scope.seen, by="Bert")
    with filled.read() as reader:
        write_ledger(reader, tmp_path / "erasures.json")
    target = Records.create(empty_url)
    before = target.digests()
    killed(empty_url, "restore", tmp_path)
    assert target.digests() == before
    restore(target, LOCAL, tmp_path / "clinic.backup", tmp_path / "erasures.json")
    require_whole(target)
    assert MARK.encode() not in bytes_of(empty_url)
    target.close()


def test_an_import_goes_on_where_it_was_killed(records: Records, url: str, tmp_path: Path) -> None:
    """What it wrote before is whole visits; the same import again adds what is missing, and nothing twice."""
    for name in ("readings.csv", "readings.header.json"):
        shutil.copy(ROOT / "examples" / name, tmp_path)
    import_file(records, LOCAL, ROOT / "examples/clinic.json", create_patients=True)
    killed(url, "import", tmp_path)
    half = observations(records)
    require_whole(records)
    file, header = tmp_path / "readings.csv", tmp_path / "readings.header.json"
    report = import_file(records, LOCAL, file, header=header)
    assert report.refused == []
    assert set() < half < observations(records)
    assert not import_file(records, LOCAL, file, header=header).created
    require_whole(records)


def observations(records: Records) -> set[str]:
    with records.read() as reader:
        return {one.id for one in reader.search(parse("Observation", [("_count", "1000")])).matches}


def test_a_migration_goes_on_where_it_was_killed(empty_url: str, tmp_path: Path) -> None:
    killed(empty_url, "migrate", tmp_path)
    with pytest.raises(Misconfigured, match="no tables yet"):
        Records.open(empty_url)
    migrate(empty_url)
    Records.open(empty_url).close()


def test_searches_find_everything_after_a_killed_reindexing(filled: Records, url: str, tmp_path: Path) -> None:
    before = filled.digests()
    killed(url, "reindex", tmp_path)
    assert filled.digests() == before
    reindex(filled, LOCAL)
    assert filled.digests() == before


def test_a_killed_backup_has_no_name_or_is_whole(filled: Records, url: str, tmp_path: Path) -> None:
    killed(url, "backup", tmp_path)
    check_backup(tmp_path / "second.backup")
    make_backup(filled, LOCAL, tmp_path / "third.backup")
