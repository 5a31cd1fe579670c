"""The tables, the same on SQLite and PostgreSQL.

The FHIR document in `body` is the record; every other table here but `txn` and `meta` is derived
from documents and can be rebuilt. A resource's present version is in `resource`, its earlier ones in
`resource_version`; nothing is stored twice. Instants are microseconds since 1970-01-01T00:00Z, days proleptic
ordinals, numbers whole millionths: no driver gets the chance to turn a decimal into a float.

Every table that grows carries the patient (the logical id, empty where a row belongs to none), so that it can one day
be spread over machines by patient without a rewrite. On SQLite the tables with a key of several columns are kept in
that key alone: every tree less is a page less to write with each change.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

REVISION = "0008"
"""The schema this code needs; the newest migration."""

metadata = MetaData(
    naming_convention={"ix": "%(table_name)s_%(column_0_N_name)s", "uq": "%(table_name)s_%(column_0_N_name)s_key"}
)

_Big = BigInteger().with_variant(Integer, "sqlite")
"""64 bits; SQLite makes a key its row number only under the name INTEGER."""

_Plain = String().with_variant(String(collation="C"), "postgresql")
"""Text compared by code points on both databases, so that ranges and order agree."""


def _patient() -> Column[str]:
    return Column("patient", _Plain, nullable=False)


meta = Table("meta", metadata, Column("key", _Plain, primary_key=True), Column("value", Text, nullable=False))

txn = Table(
    "txn",
    metadata,
    Column("number", _Big, primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),
    Column("actor", Text, nullable=False),
)

resource = Table(
    "resource",
    metadata,
    Column("pk", _Big, primary_key=True, autoincrement=False),
    Column("type", _Plain, nullable=False),
    Column("id", _Plain, nullable=False),
    _patient(),
    Column("version", Integer, nullable=False),
    Column("txn", BigInteger, nullable=False),
    Column("updated", BigInteger, nullable=False),
    Column("method", _Plain, nullable=False),
    Column("deleted", Boolean, nullable=False),
    Column("body", Text, nullable=False),
    UniqueConstraint("type", "id"),
    Index("resource_patient_type_pk", "patient", "type", "pk"),
    Index("resource_type_pk", "type", "pk"),
    Index("resource_type_updated_pk", "type", "updated", "pk"),
)

resource_version = Table(
    "resource_version",
    metadata,
    Column("pk", BigInteger, nullable=False),
    Column("version", Integer, nullable=False),
    _patient(),
    Column("txn", BigInteger, nullable=False),
    Column("updated", BigInteger, nullable=False),
    Column("method", _Plain, nullable=False),
    Column("deleted", Boolean, nullable=False),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("pk", "version", "patient"),
    Index("resource_version_updated_pk_version", "updated", "pk", "version"),
    sqlite_with_rowid=False,
)

observation = Table(
    "observation",
    metadata,
    Column("pk", BigInteger, nullable=False),
    Column("code_rank", Integer, nullable=False),
    Column("category_rank", Integer, nullable=False),
    _patient(),
    Column("system", _Plain, nullable=False),
    Column("code", _Plain, nullable=False),
    Column("category_system", _Plain, nullable=False),
    Column("category", _Plain, nullable=False),
    Column("start", BigInteger, nullable=False),
    Column("end", BigInteger, nullable=False),
    Column("first_day", BigInteger, nullable=False),
    Column("last_day", BigInteger, nullable=False),
    Column("encounter", _Plain, nullable=False),
    Column("body_site", _Plain, nullable=False),
    Column("status", _Plain, nullable=False),
    Column("value", BigInteger),
    Column("unit", _Plain, nullable=False),
    PrimaryKeyConstraint("pk", "code_rank", "category_rank", "patient"),
    Index("observation_patient_code_start_pk", "patient", "code", "start", "pk"),
    Index("observation_patient_category_start_pk", "patient", "category", "start", "pk"),
    Index("observation_patient_start_pk", "patient", "start", "pk"),
    Index("observation_code_start_pk", "code", "start", "pk"),
    Index("observation_start_pk", "start", "pk"),
    Index("observation_encounter", "encounter"),
    sqlite_with_rowid=False,
)

search_index = Table(
    "search_index",
    metadata,
    Column("pk", BigInteger, nullable=False),
    Column("position", Integer, nullable=False),
    _patient(),
    Column("type", _Plain, nullable=False),
    Column("parameter", _Plain, nullable=False),
    Column("qualifier", _Plain, nullable=False),
    Column("value", _Plain, nullable=False),
    Column("lo", BigInteger),
    Column("hi", BigInteger),
    Column("first_day", BigInteger),
    Column("last_day", BigInteger),
    PrimaryKeyConstraint("pk", "position", "patient"),
    sqlite_with_rowid=False,
)


_texts, _dates = text("lo IS NULL"), text("lo IS NOT NULL")
_row = search_index.c
Index(
    "search_index_value", _row.value, _row.parameter, _row.type, _row.pk, sqlite_where=_texts, postgresql_where=_texts
)
Index("search_index_lo", _row.type, _row.parameter, _row.lo, _row.pk, sqlite_where=_dates, postgresql_where=_dates)
