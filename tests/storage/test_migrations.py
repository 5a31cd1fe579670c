"""The migrated schema is the declared one, and a database that does not fit is refused with what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from service.domain.actor import LOCAL
from service.errors import Misconfigured
from service.fhir.canonical import BASE
from service.storage.engine import open_engine
from service.storage.migrations.run import config
from service.storage.records import Records, migrate
from service.storage.tables import REVISION, meta, metadata


def _indexes(connection: sa.Connection) -> set[tuple[str, str, tuple[str, ...], str]]:
    """Table, name, columns and condition of every index, which the comparison by Alembic does not all see."""
    found = set()
    for table in metadata.tables:
        for index in sa.inspect(connection).get_indexes(table):
            options = index.get("dialect_options", {})
            only = options.get("postgresql_where", options.get("sqlite_where", ""))
            columns = tuple(str(name) for name in index["column_names"])
            found.add((table, str(index["name"]), columns, str(only).strip("()").casefold()))
    return found


def test_the_migrations_make_the_declared_tables(url: str, empty_url: str) -> None:
    migrated, declared = sa.create_engine(url), sa.create_engine(empty_url)
    metadata.create_all(declared)
    with migrated.connect() as one, declared.connect() as other:
        assert compare_metadata(MigrationContext.configure(one), metadata) == []
        if one.dialect.name == other.dialect.name:
            assert _indexes(one) == _indexes(other)
            for table in metadata.tables:
                keys = [sa.inspect(connection).get_pk_constraint(table) for connection in (one, other)]
                assert [key["constrained_columns"] for key in keys] == [keys[0]["constrained_columns"]] * 2
    migrated.dispose()
    declared.dispose()


def test_the_code_needs_the_newest_migration(sqlite_url: str) -> None:
    engine = sa.create_engine(sqlite_url)
    with engine.connect() as connection:
        script = ScriptDirectory.from_config(config(connection))
    engine.dispose()
    assert script.get_current_head() == REVISION
    assert [one.down_revision for one in script.walk_revisions()][-1] is None


def test_a_record_is_made_where_there_is_none_and_kept_where_there_is(empty_url: str) -> None:
    made = Records.create(empty_url)
    with made.write(LOCAL) as writer:
        writer.update({"resourceType": "Patient", "id": "kept"})
    made.close()
    again = Records.create(empty_url)
    with again.read() as reader:
        assert reader.get("Patient", "kept").version == 1
    again.close()


def test_an_empty_database_names_the_command(empty_url: str) -> None:
    with pytest.raises(Misconfigured, match="`handrecord migrate`"):
        Records.open(empty_url)


@pytest.mark.parametrize(("found", "says"), [("0000", "older"), ("9999", "newer")])
def test_another_schema_is_refused(url: str, found: str, says: str) -> None:
    engine = open_engine(url)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"UPDATE alembic_version SET version_num = '{found}'")
    engine.dispose()
    with pytest.raises(Misconfigured, match=f"{says}.*handrecord migrate"):
        Records.open(url)


def test_another_canonical_base_is_refused(url: str) -> None:
    engine = open_engine(url)
    with engine.begin() as connection:
        assert connection.execute(sa.select(meta.c.value).where(meta.c.key == "canonical-base")).scalar() == BASE
        connection.execute(meta.update().where(meta.c.key == "canonical-base").values(value="https://other.example"))
    engine.dispose()
    for attempt in (Records.open, Records.create):
        with pytest.raises(Misconfigured, match=r"https://other\.example"):
            attempt(url)


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("sqlite://", "needs a file"),
        ("sqlite:///:memory:", "needs a file"),
        ("mysql://localhost/x", "not in mysql"),
        ("postgresql://localhost/x", "postgresql[+]psycopg"),
        ("no address", "cannot be read"),
    ],
)
def test_an_address_of_another_kind_is_refused(address: str, says: str) -> None:
    with pytest.raises(Misconfigured, match=says):
        Records.open(address)


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(Misconfigured, match="There is no record in"):
        Records.open(f"sqlite:///{tmp_path / 'no' / 'such' / 'folder.sqlite'}")


def test_migrating_again_changes_nothing(empty_url: str) -> None:
    migrate(empty_url)
    migrate(empty_url)
    Records.open(empty_url).close()
