"""Several writers and readers at once, in threads and in separate processes' sessions, on both databases."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
import sqlalchemy as sa

from service.domain.actor import LOCAL, Actor
from service.errors import Conflict, PreconditionFailed
from service.storage import records as records_module
from service.storage.engine import open_engine
from service.storage.records import Records
from service.storage.tables import resource

COUNTER: dict[str, Any] = {"resourceType": "Basic", "id": "counter", "extension": [{"url": "urn:n", "valueInteger": 0}]}


def at_once(work: Callable[[int], Any], times: int) -> list[Any]:
    """Run `work` in so many threads that start together."""
    start = threading.Barrier(times)

    def run(number: int) -> Any:
        start.wait(10)
        return work(number)

    with ThreadPoolExecutor(times) as pool:
        return list(pool.map(run, range(times)))


def test_updates_that_name_the_version_lose_none(records: Records) -> None:
    """Eight writers add one, five times each, and try again when the version they read is not the present one."""
    with records.write(LOCAL) as writer:
        writer.update(COUNTER)
    refused = threading.Semaphore(0)

    def add(_number: int) -> None:
        for _ in range(5):
            while True:
                with records.read() as reader:
                    read = reader.get("Basic", "counter")
                document = read.resource
                document["extension"][0]["valueInteger"] += 1
                try:
                    with records.write(LOCAL) as writer:
                        writer.update(document, expected=read.version)
                    break
                except PreconditionFailed:
                    refused.release()

    at_once(add, 8)
    with records.read() as reader:
        assert reader.get("Basic", "counter").resource["extension"][0]["valueInteger"] == 40
        assert [one.version for one in reader.history("Basic", "counter")] == list(range(41, 0, -1))
    assert refused.acquire(blocking=False), "no two writers ever met, so nothing was tested"


def test_two_sessions_are_numbered_in_the_order_they_commit(url: str) -> None:
    """The first to begin is slow; the second, in a session of its own, waits, and is numbered after it.

    A number given early and committed late would be missed by whoever reads everything after the highest one seen.
    """
    first, second = Records.open(url), Records.open(url)
    begun, seen = threading.Event(), []

    def slow() -> None:
        with first.write(Actor("slow", "Slow")) as writer:
            writer.create({"resourceType": "Basic"}, id="slow")
            begun.set()
            time.sleep(0.3)
            with second.read() as reader:
                seen.append(reader.find("Basic", "fast"))

    thread = threading.Thread(target=slow)
    thread.start()
    assert begun.wait(10)
    with second.write(Actor("fast", "Fast")) as writer:
        assert writer.find("Basic", "slow") is not None
        writer.create({"resourceType": "Basic"}, id="fast")
    thread.join(10)
    assert seen == [None]
    with first.read() as reader:
        entries = list(reader.trail())
        assert [entry.actor.id for entry in entries] == ["fast", "slow"]
        assert entries[0].at > entries[1].at
        assert reader.get("Basic", "fast").updated > reader.get("Basic", "slow").updated
    engine = open_engine(url)
    with engine.connect() as connection:
        order = connection.execute(sa.select(resource.c.id).order_by(resource.c.pk)).scalars().all()
    engine.dispose()
    assert order == ["slow", "fast"]
    first.close()
    second.close()


def test_a_reader_sees_one_state_throughout(records: Records) -> None:
    with records.write(LOCAL) as writer:
        writer.update(COUNTER)
    with records.read() as reader:
        before = reader.get("Basic", "counter")
        with records.write(LOCAL) as writer:
            writer.delete("Basic", "counter")
        assert reader.get("Basic", "counter") == before
    with records.read() as reader:
        assert reader.find("Basic", "counter") != before


def test_many_writers_in_two_sessions_all_finish(url: str) -> None:
    """Thirty-two threads in two sessions: more than either has connections for at once."""
    both = [Records.open(url), Records.open(url)]

    def write(number: int) -> None:
        with both[number % 2].write(LOCAL) as writer:
            writer.create({"resourceType": "Basic"}, id=f"b{number}")

    at_once(write, 32)
    with both[0].read() as reader:
        assert reader.existing({("Basic", f"b{n}") for n in range(32)}) == {("Basic", f"b{n}") for n in range(32)}
    for one in both:
        one.close()


def test_a_thread_that_would_wait_for_itself_is_told(records: Records) -> None:
    def nested() -> None:
        with records.write(LOCAL), records.write(LOCAL):
            pass

    with pytest.raises(RuntimeError, match="writing already"):
        nested()
    with records.write(LOCAL) as writer:
        writer.update(COUNTER)


def test_a_writer_that_waits_too_long_is_told(records: Records, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records_module, "BUSY_SECONDS", 0.05)

    def impatient() -> None:
        with records.write(LOCAL) as writer:
            writer.update(COUNTER)

    with records.write(LOCAL), ThreadPoolExecutor(1) as pool, pytest.raises(Conflict, match="busy"):
        pool.submit(impatient).result()
