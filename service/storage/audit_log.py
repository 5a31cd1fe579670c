"""Writing down what was shown and refused, many at a time: one commit for all that wait, and nobody answered before."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from contextlib import AbstractContextManager
from queue import Empty, SimpleQueue
from threading import Lock, Thread
from typing import Protocol

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import SQLAlchemyError

from service.errors import RecordError
from service.storage.audit_chain import START, Chain, Event, TornChain
from service.storage.audit_tables import event_chain
from service.storage.inserts import insert

_MOST = 1000
"""Requests whose events go into one commit."""


class Aside(Protocol):
    """Where transactions come from that change nothing of the record itself."""

    def aside(self, *, alone: bool = False) -> AbstractContextManager[Connection]:
        """A transaction; `alone` as the only writer of all processes."""

    def aside_at_once(self) -> AbstractContextManager[Connection | None]:
        """A transaction, or None instead of a wait."""


class EventLog:
    """The chain of what one process shows. Safe to share between threads; its own one starts with the first event."""

    def __init__(self, records: Aside) -> None:
        self._records = records
        self._waiting: SimpleQueue[tuple[Sequence[Event], Future[None]] | None] = SimpleQueue()
        self._turn, self._writing = Lock(), Lock()
        self._thread: Thread | None = None
        self._chain: Chain | None = None

    def put(self, events: Sequence[Event]) -> Future[None]:
        """Write events down; the answer is done once they are on disk, or holds the error that prevented it."""
        done: Future[None] = Future()
        if self._thread is None:
            self._start()
        self._waiting.put((events, done))
        return done

    def put_at_once(self, events: Sequence[Event]) -> bool:
        """Write events down before coming back, unless that means waiting for another writer: then answer False.

        For the event loop, where a thread's every step would wait for the loop to let it.
        """
        if self._chain is None or not self._writing.acquire(blocking=False):
            return False
        try:
            with self._records.aside_at_once() as connection:
                if connection is None:
                    return False
                end = self._chain.append(connection, events)
            self._chain = end
        except TornChain:
            self._chain = None
            raise
        finally:
            self._writing.release()
        return True

    def close(self) -> None:
        """Write what waits, then end."""
        with self._turn:
            thread, self._thread = self._thread, None
        if thread is not None:
            self._waiting.put(None)
            thread.join()

    def _start(self) -> None:
        with self._turn:
            if self._thread is None:
                self._thread = Thread(target=self._write_on, name="event-log", daemon=True)
                self._thread.start()

    def _write_on(self) -> None:
        while True:
            group = list(self._group())
            if not group:
                return
            try:
                with self._writing:
                    self._write([one for events, _ in group for one in events])
            except (SQLAlchemyError, RecordError, TornChain) as error:
                self._chain = None
                for _, done in group:
                    done.set_exception(error)
            else:
                for _, done in group:
                    done.set_result(None)

    def _group(self) -> Iterator[tuple[Sequence[Event], Future[None]]]:
        """All that waits, at least one; nothing when it is time to end."""
        found = self._waiting.get()
        for _ in range(_MOST):
            if found is None:
                return
            yield found
            try:
                found = self._waiting.get_nowait()
            except Empty:
                return
        self._waiting.put(found)

    def _write(self, events: Sequence[Event]) -> None:
        if self._chain is None:
            with self._records.aside(alone=True) as connection:
                opened = open_chain(connection)
            self._chain = opened
        with self._records.aside() as connection:
            end = self._chain.append(connection, events)
        self._chain = end


def open_chain(connection: Connection) -> Chain:
    """A new chain, numbered after the last; to be called by the only writer."""
    number = connection.execute(select(func.max(event_chain.c.chain))).scalar_one() + 1
    insert(connection, event_chain, [(number, time.time_ns() // 1000, 0, START)])
    return Chain(number, 0, START)
