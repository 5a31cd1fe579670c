"""One clinic's record: the open database, and the transactions on it.

Writers come one at a time, in all threads and processes: SQLite by BEGIN IMMEDIATE, PostgreSQL by an advisory lock
that lasts as long as the transaction. So a higher transaction number, internal number or lastUpdated always means a
later commit, and whoever reads "everything after n" never misses a change that was numbered early and committed late.
A transaction opens where `with records.write(actor)` stands and is committed when that block is left: whatever is
answered afterwards is on disk.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, delete, inspect, select, text
from sqlalchemy.exc import IntegrityError, OperationalError, SQLAlchemyError

from service.domain.actor import Actor
from service.errors import Conflict, Issue, Misconfigured
from service.fhir.canonical import BASE
from service.storage.audit_tables import used_token
from service.storage.backup import Contents, digests, write_backup
from service.storage.engine import BUSY_SECONDS, begin_at_once, begin_reading, begin_writing, commit, open_engine, undo
from service.storage.inserts import insert
from service.storage.reader import Reader
from service.storage.reindex import rebuild
from service.storage.scrub import scrub
from service.storage.stored import Page, Stored
from service.storage.tables import REVISION, meta
from service.storage.writer import Writer

__all__ = ["Page", "Reader", "Records", "Stored", "Writer", "migrate"]

_CANONICAL_BASE = "canonical-base"
_CREATED_AT = "created-at"


class Records:
    """One clinic's database. Safe to share between threads."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._idle: list[Connection] = []
        self._turn = threading.Lock()
        self._holder: int | None = None

    @classmethod
    def open(cls, url: str) -> Records:
        """Open a database whose schema is exactly this release's, and whose canonical base is ours.

        Raises `Misconfigured`, saying what to do, for any other.
        """
        engine = open_engine(url, make=False)
        try:
            _require_schema(engine)
            _require_base(engine)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine)

    @classmethod
    def create(cls, url: str) -> Records:
        """Bring the schema up to this release, making it if there is none, then open."""
        migrate(url)
        return cls.open(url)

    def close(self) -> None:
        """Give back every connection."""
        while self._idle:
            self._idle.pop().close()
        self._engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Reader]:
        """A transaction that sees one state of the record."""
        with self._connected() as connection:
            begin_reading(connection)
            yield Reader(connection)

    @contextmanager
    def write(self, actor: Actor) -> Iterator[Writer]:
        """One transaction in the name of `actor`, committed on leaving, undone if an error leaves the block.

        Raises `Conflict` if other writers do not finish within `BUSY_SECONDS`.
        """
        with self._next_writer(), self._connected() as connection:
            try:
                begin_writing(connection)
            except OperationalError as problem:
                raise _busy() from problem
            writer = Writer(connection, actor)
            yield writer
            writer.seal()
            commit(connection)

    @property
    def in_process(self) -> bool:
        """Whether the database is a file that this process reads itself, without a server to wait for."""
        return self._engine.dialect.name == "sqlite"

    @contextmanager
    def aside(self, *, alone: bool = False) -> Iterator[Connection]:
        """A transaction on what stands beside the record, committed on leaving; `alone`: the only writer of all.

        SQLite has one writer in any case; this process's others wait their turn without polling.
        """
        with self._next_writer() if self.in_process else nullcontext(), self._connected() as connection:
            if self.in_process or alone:
                begin_writing(connection)
            yield connection
            commit(connection)

    @contextmanager
    def aside_at_once(self) -> Iterator[Connection | None]:
        """As `aside`, on SQLite, but None instead of a wait when somebody else is writing."""
        if not self._turn.acquire(blocking=False):
            yield None
            return
        try:
            with self._connected() as connection:
                if begin_at_once(connection):
                    yield connection
                    commit(connection)
                else:
                    yield None
        finally:
            self._turn.release()

    def scrub(self) -> None:
        """Leave no trace of what was erased in the database's files. Raises `Unavailable` while that cannot be."""
        with self._next_writer() if self.in_process else nullcontext():
            scrub(self._engine)

    def backup(self, file: Path, settings: Sequence[str] = ()) -> Contents:
        """Write one consistent state of the record into a new file; see `service.storage.backup`."""
        return write_backup(self._engine, file, settings)

    def digests(self) -> dict[str, tuple[int, str]]:
        """Of each table the number of rows and a digest over them."""
        with self._engine.connect() as connection:
            begin_reading(connection)
            return digests(connection)

    def reindex(self) -> int:
        """Derive every index row from the documents again; answers how many resources there are."""
        with self.aside(alone=True) as connection:
            return rebuild(connection)

    def first_use(self, client: str, token: str, until: int) -> bool:
        """Remember the id of a token that works once, until seconds since 1970; False if it was used before."""
        used = used_token.c
        try:
            with self.aside() as connection:
                connection.execute(delete(used_token).where(used.until < time.time()))
                insert(connection, used_token, [(client, token, until)])
        except IntegrityError:
            return False
        return True

    @contextmanager
    def _connected(self) -> Iterator[Connection]:
        """A connection, on which what was not committed is undone in the end.

        To a file it stays open for the next use: the way through SQLAlchemy's pool takes longer than a look-up.
        """
        if not self.in_process:
            with self._engine.connect() as connection:
                yield connection
            return
        connection = self._from_idle() or self._engine.connect()
        try:
            yield connection
        except SQLAlchemyError:
            connection.close()
            raise
        finally:
            if not connection.closed:
                undo(connection)
                self._idle.append(connection)

    def _from_idle(self) -> Connection | None:
        try:
            return self._idle.pop()
        except IndexError:
            return None

    @contextmanager
    def _next_writer(self) -> Iterator[None]:
        """Wait in this process without holding a connection."""
        me = threading.get_ident()
        if self._holder == me:
            raise RuntimeError("this thread is writing already; a second transaction would wait for the first for ever")
        if not self._turn.acquire(timeout=BUSY_SECONDS):
            raise _busy()
        self._holder = me
        try:
            yield
        finally:
            self._holder = None
            self._turn.release()


def _busy() -> Conflict:
    return Conflict(Issue("lock-error", "The record is busy with other changes; try again in a moment."))


def migrate(url: str) -> None:
    """Bring a database to the schema of this release and name its canonical base. Nothing in it is lost."""
    from service.storage.migrations.run import upgrade  # Alembic is slow to load and rarely needed

    engine = open_engine(url)
    try:
        with engine.begin() as connection:
            begin_writing(connection)
            upgrade(connection)
            known = connection.execute(select(meta.c.value).where(meta.c.key == _CANONICAL_BASE)).scalar()
            if known is None:
                now = datetime.now(UTC).isoformat()
                rows = [{"key": _CANONICAL_BASE, "value": BASE}, {"key": _CREATED_AT, "value": now}]
                connection.execute(meta.insert(), rows)
    finally:
        engine.dispose()


def _require_schema(engine: Engine) -> None:
    try:
        with engine.connect() as connection:
            if not inspect(connection).has_table("alembic_version"):
                raise Misconfigured("The database has no tables yet; run `handrecord migrate` to make them.")
            found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    except OperationalError as problem:
        raise Misconfigured(f"The database cannot be opened: {problem.orig}.") from problem
    if found is None or found < REVISION:
        raise Misconfigured(
            f"The database has schema {found}, older than {REVISION} of this release; run `handrecord migrate`."
        )
    if found > REVISION:
        raise Misconfigured(
            f"The database has schema {found}, newer than {REVISION} of this release: use the release that ran "
            "`handrecord migrate` on it, or a later one."
        )


def _require_base(engine: Engine) -> None:
    with engine.connect() as connection:
        found = connection.execute(select(meta.c.value).where(meta.c.key == _CANONICAL_BASE)).scalar()
    if found != BASE:
        raise Misconfigured(
            f"The database was made under the canonical base {found}, this release writes {BASE}: "
            "codes of the two must not be mixed."
        )
