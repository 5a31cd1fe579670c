"""The process that writes exports: by hand, and as `handrecord serve` starts it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from service.commands import app
from service.domain.actor import LOCAL
from service.storage.records import Records
from service.usecases import exports
from service.usecases.export_input import read_wish
from tests.storage.whole_record import fill

ROOT = Path(__file__).parents[2]


@pytest.fixture
def filled(sqlite_url: str) -> Iterator[Records]:
    records = Records.open(sqlite_url)
    with records.write(LOCAL) as writer:
        fill(writer)
    yield records
    records.close()


def test_what_waits_is_written(filled: Records, sqlite_url: str, tmp_path: Path) -> None:
    with filled.write(LOCAL) as writer:
        ident = exports.start(writer, LOCAL, read_wish("", []), "", "https://record.example/fhir/$export")
    words = ["export-worker", "--once", "--folder", str(tmp_path / "exports"), "--database", sqlite_url]
    before = signal.getsignal(signal.SIGTERM)
    done = CliRunner().invoke(app, words)
    signal.signal(signal.SIGTERM, before)
    assert (done.exit_code, done.output) == (0, "Exports written: 1.\n")
    with filled.read() as reader:
        assert exports.progress(reader, LOCAL, ident, 24).done
    assert (tmp_path / "exports" / ident / "Patient.0.0.ndjson").read_text().count("\n") == 2
    assert (tmp_path / "exports" / ident).stat().st_mode & 0o077 == 0


@contextmanager
def served(url: str, folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    command = [sys.executable, "-m", "service", "serve", "--port", "0", "--database", url]
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT), "HANDRECORD_EXPORT_FOLDER": str(folder)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=surroundings, cwd=folder.parent) as process:
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found
        try:
            yield process, found[0]
        finally:
            process.kill()


def children(pid: int) -> list[int]:
    """The processes that this one started, on a system that says so."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = place.read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        if int(fields[1]) == pid and fields[0] != "Z":
            found.append(int(place.parent.name))
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs a system that lists processes under /proc")
@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGKILL])
def test_serving_writes_exports_and_leaves_no_process_behind(
    filled: Records, sqlite_url: str, tmp_path: Path, end: signal.Signals
) -> None:
    with served(sqlite_url, tmp_path / "exports") as (process, address):
        begun = httpx.get(f"{address}/fhir/$export", headers={"prefer": "respond-async"})
        assert begun.status_code == 202, begun.text
        deadline = time.monotonic() + 60
        while (answer := httpx.get(begun.headers["content-location"])).status_code == 202:
            assert time.monotonic() < deadline, "the export was not written within a minute"
            time.sleep(0.1)
        assert answer.status_code == 200, answer.text
        (worker,) = children(process.pid)
        process.send_signal(end)
        process.wait(30)
    deadline = time.monotonic() + 30
    while Path(f"/proc/{worker}").exists():
        assert time.monotonic() < deadline, "the process that writes exports outlived the service"
        time.sleep(0.1)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs a system that lists processes under /proc")
def test_a_worker_that_dies_is_replaced(filled: Records, sqlite_url: str, tmp_path: Path) -> None:
    with served(sqlite_url, tmp_path / "exports") as (process, address):
        deadline = time.monotonic() + 60
        while not (first := children(process.pid)):
            time.sleep(0.1)
        os.kill(first[0], signal.SIGKILL)
        begun = httpx.get(f"{address}/fhir/$export", headers={"prefer": "respond-async"})
        while (answer := httpx.get(begun.headers["content-location"])).status_code == 202:
            assert time.monotonic() < deadline, "nobody wrote the export"
            time.sleep(0.2)
        assert answer.status_code == 200, answer.text
        assert children(process.pid) != first
        process.send_signal(signal.SIGTERM)
        process.wait(30)
