"""What was acknowledged is there after a kill -9, and nothing is there by halves."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import sqlalchemy as sa

from service.domain.actor import LOCAL
from service.storage.engine import open_engine
from service.storage.records import Records

PROGRAM = Path(__file__).with_name("writing_until_killed.py")
ROOT = Path(__file__).parents[2]
ROUNDS = 6
PARTS = 20


def killed_while_writing(url: str, after: float) -> tuple[list[int], list[int]]:
    """The transactions that a writer began, and those it acknowledged, before it was killed."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen([sys.executable, str(PROGRAM), url], stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdout is not None
        said = [process.stdout.readline()]
        time.sleep(after)
        process.send_signal(signal.SIGKILL)
        said += process.stdout.readlines()
    words = [line.split() for line in said if line.endswith(b"\n")]
    begun = [int(number) for word, number in words if word == b"begin"]
    return begun, [int(number) for word, number in words if word == b"done"]


def test_what_was_acknowledged_survives_a_kill(sqlite_url: str, tmp_path: Path) -> None:
    """On SQLite: the writer dies in the middle of its work, `ROUNDS` times, each in a database of its own."""
    unfinished = 0
    for number in range(ROUNDS):
        path = tmp_path / f"round-{number}.sqlite"
        url = f"sqlite:///{path}"
        path.write_bytes(Path(sqlite_url.removeprefix("sqlite:///")).read_bytes())
        begun, done = killed_while_writing(url, 0.05 + 0.03 * number)
        assert done, "the writer was killed before it acknowledged anything"
        unfinished += len(begun) > len(done)
        with sa.create_engine(url).connect() as connection:
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
            connection.engine.dispose()
        records = Records.open(url)
        with records.read() as reader:
            stored = reader.existing({("Basic", f"{one}-{part}") for one in begun for part in range(PARTS)})
        complete = [one for one in begun if all(("Basic", f"{one}-{part}") in stored for part in range(PARTS))]
        assert set(done) <= set(complete)
        assert len(stored) == PARTS * len(complete), "a transaction is there by halves"
        with records.write(LOCAL) as writer:
            writer.create({"resourceType": "Basic"}, id="after")
        records.close()
    assert unfinished >= ROUNDS // 2, f"only {unfinished} of {ROUNDS} kills fell on unfinished work"


def test_sqlite_writes_through_to_the_disk(sqlite_url: str) -> None:
    """A kill does not show what a loss of power would: that rests on synchronous=FULL (2), on every connection."""
    engine = open_engine(sqlite_url)
    with engine.connect() as one, engine.connect() as other:
        for connection in (one, other):
            assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
            assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
            assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
            assert connection.exec_driver_sql("PRAGMA busy_timeout").scalar() == 30_000
    engine.dispose()
