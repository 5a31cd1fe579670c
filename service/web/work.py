"""Where the record's blocking work is done: in threads, with the few look-ups named here that may hold up the loop.

The storage layer is synchronous. A job opens its own transaction in its own thread and has committed, or failed, when
its answer is awaited: so no answer leaves before its commit, and no thread waits for another one to be free.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from anyio import CapacityLimiter, to_thread

from service.storage.records import Reader, Records

Result = TypeVar("Result")

_READERS = 16
_WRITERS = 8
"""Writers come one at a time; more than a few waiting threads would only take the readers' place."""


class Work:
    """The open record, as the request handlers use it."""

    def __init__(self, records: Records, *, in_process: bool) -> None:
        """`in_process`: the database is a file that this process reads itself, without a server to wait for."""
        self.records = records
        self._in_process = in_process
        self._readers = CapacityLimiter(_READERS)
        self._writers = CapacityLimiter(_WRITERS)

    async def look_up(self, job: Callable[[Reader], Result]) -> Result:
        """Read by a few seeks. On SQLite that takes less than the way to a thread and back, and stays in the loop.

        For `read` and `vread` of one resource, a small page of one patient's readings, and the health check; for
        nothing else.
        """
        return self._reading(job) if self._in_process else await self.read(job)

    async def read(self, job: Callable[[Reader], Result]) -> Result:
        """Do `job` in a thread, in a transaction that sees one state of the record; its answer may be given up."""
        return await to_thread.run_sync(self._reading, job, limiter=self._readers, abandon_on_cancel=True)

    async def change(self, job: Callable[[], Result]) -> Result:
        """Do `job`, which opens and commits its own transaction, in a thread."""
        return await to_thread.run_sync(job, limiter=self._writers)

    def _reading(self, job: Callable[[Reader], Result]) -> Result:
        with self.records.read() as reader:
            return job(reader)
