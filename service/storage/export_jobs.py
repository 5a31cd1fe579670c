"""Bulk Data exports within the transaction of a Reader, a Writer or a worker: what was asked for, how far it is."""

from __future__ import annotations

import time
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, func, select, update

from service.errors import Issue, NotFound
from service.storage.export_tables import export_file, export_job
from service.storage.inserts import insert
from service.storage.snapshot import Found, Version, Window, before, versions
from service.storage.tables import txn

ACCEPTED, RUNNING, COMPLETE, FAILED = "accepted", "running", "complete", "failed"
VOID, GIVEN_UP = "void", "given-up"
_UNFINISHED = (ACCEPTED, RUNNING)


class Job(NamedTuple):
    """An export as it is kept; see `export_tables.export_job`. Instants are microseconds since 1970."""

    id: str
    state: str
    txn: int
    at: int
    document: str
    worker: str = ""
    beat: int = 0
    tries: int = 0
    finished_at: int = 0
    told: str = ""


class File(NamedTuple):
    """A file that is whole; see `export_tables.export_file`."""

    job: str
    place: int
    part: int
    name: str
    type: str
    deleted: bool
    lines: int
    upto: int
    last: bool


class ExportJobs:
    """The tables of exports, and the record as an export sees it."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def last_transaction(self, until: int | None = None) -> int:
        """The number of the last transaction there is, or of the last one up to a moment; 0 where there is none."""
        query = select(func.max(txn.c.number))
        return int(self._connection.execute(query if until is None else query.where(txn.c.at <= until)).scalar() or 0)

    def add(self, job: Job) -> None:
        """Keep a new export."""
        insert(self._connection, export_job, [tuple(job)])

    def job(self, ident: str) -> Job:
        """One export. Raises `NotFound`."""
        row = self._connection.execute(select(export_job).where(export_job.c.id == ident)).first()
        if row is None:
            raise NotFound(Issue("not-found", "There is no such export, or no longer.", "export", ident))
        return Job(*row)

    def files(self, ident: str) -> list[File]:
        """The files of an export that are whole, in their order."""
        files = export_file.c
        query = select(export_file).where(files.job == ident).order_by(files.place, files.part)
        return [File(*row) for row in self._connection.execute(query)]

    def versions(self, window: Window, behind: int, count: int) -> Found:
        """Resources as an export sees them; see `snapshot.versions`."""
        return versions(self._connection, window, behind, count)

    def before(self, gone: list[Version]) -> dict[int, str]:
        """What these deletions deleted; see `snapshot.before`."""
        return before(self._connection, gone)

    def claim(self, worker: str, silent: float) -> Job | None:
        """Take the oldest export that nobody writes, or whose worker was silent for so many seconds."""
        jobs = export_job.c
        late = jobs.beat < _now() - int(silent * 1_000_000)
        free = jobs.state.in_(_UNFINISHED) & ((jobs.worker == "") | late)
        row = self._connection.execute(select(export_job).where(free).order_by(jobs.at, jobs.id).limit(1)).first()
        if row is None:
            return None
        values = {"state": RUNNING, "worker": worker, "beat": _now(), "tries": row.tries + 1}
        this = update(export_job).where(jobs.id == row.id, free)
        return Job(**{**row._mapping, **values}) if self._connection.execute(this.values(values)).rowcount else None

    def hold(self, ident: str, worker: str, **values: Any) -> bool:
        """Say that a worker is still at it, and change the export; False if it is no longer this worker's."""
        jobs = export_job.c
        mine = update(export_job).where(jobs.id == ident, jobs.worker == worker, jobs.state == RUNNING)
        return bool(self._connection.execute(mine.values({"beat": _now(), **values})).rowcount)

    def release(self, job: Job) -> None:
        """Leave an export to the next worker, where the one that took it ends before its time."""
        jobs = export_job.c
        mine = update(export_job).where(jobs.id == job.id, jobs.worker == job.worker, jobs.state == RUNNING)
        self._connection.execute(mine.values(worker="", tries=job.tries - 1))

    def keep(self, file: File, worker: str) -> bool:
        """Write down that a file is whole; False if the export is no longer this worker's."""
        if not self.hold(file.job, worker, tries=0):
            return False
        insert(self._connection, export_file, [tuple(file)])
        return True

    def finish(self, ident: str, worker: str, state: str, told: str = "") -> bool:
        """Say that an export is complete, or has failed and why; False if it is no longer this worker's."""
        return self.hold(ident, worker, state=state, told=told, finished_at=_now())

    def is_wanted(self, ident: str) -> bool:
        """Whether the files of an export are still to be had, or to be written."""
        wanted = (*_UNFINISHED, COMPLETE)
        query = select(export_job.c.id).where(export_job.c.id == ident, export_job.c.state.in_(wanted))
        return self._connection.execute(query).first() is not None

    def over(self, since: int) -> list[str]:
        """Exports to be forgotten: those that are void or were given up, and those that ended before a moment."""
        jobs = export_job.c
        expired = jobs.state.in_((COMPLETE, FAILED)) & (jobs.finished_at < since)
        query = select(jobs.id).where(jobs.state.in_((VOID, GIVEN_UP)) | expired).order_by(jobs.id)
        return [row.id for row in self._connection.execute(query)]

    def give_up(self, ident: str) -> None:
        """Say that nobody wants an export any more."""
        self._connection.execute(update(export_job).where(export_job.c.id == ident).values(state=GIVEN_UP))

    def remove(self, ident: str) -> None:
        """Forget an export."""
        self._connection.execute(delete(export_file).where(export_file.c.job == ident))
        self._connection.execute(delete(export_job).where(export_job.c.id == ident))


def void(connection: Connection) -> None:
    """Give up every export there is: something was erased that may stand in its files, or in what was asked."""
    connection.execute(update(export_job).values(state=VOID, document=""))


def _now() -> int:
    return time.time_ns() // 1000
