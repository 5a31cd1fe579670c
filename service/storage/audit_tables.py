"""The tables of who did what; the same on both databases, and never rewritten."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, Integer, PrimaryKeyConstraint, String, Table, Text, text

from service.storage.tables import metadata

_Plain = String().with_variant(String(collation="C"), "postgresql")

event = Table(
    "event",
    metadata,
    Column("chain", Integer, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("actor", _Plain, nullable=False),
    Column("actor_name", Text, nullable=False),
    Column("actor_role", _Plain, nullable=False),
    Column("client", _Plain, nullable=False),
    Column("source", _Plain, nullable=False),
    Column("act", _Plain, nullable=False),
    Column("type", _Plain, nullable=False),
    Column("id", _Plain, nullable=False),
    Column("version", Integer, nullable=False),
    Column("patient", _Plain, nullable=False),
    Column("outcome", _Plain, nullable=False),
    Column("query", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("digest", _Plain, nullable=False),
    Column("link", _Plain, nullable=False),
    PrimaryKeyConstraint("chain", "position"),
    Index("event_patient_at", "patient", "at"),
    Index("event_actor_at", "actor", "at"),
    Index("event_at", "at"),
    sqlite_with_rowid=False,
)
"""One row for each thing done. `patient` is the one it was about; empty for none, or several."""

_changes = text("chain = 0")
Index("event_type_id", event.c.type, event.c.id, event.c.version, sqlite_where=_changes, postgresql_where=_changes)

event_patient = Table(
    "event_patient",
    metadata,
    Column("patient", _Plain, nullable=False),
    Column("chain", Integer, nullable=False),
    Column("position", BigInteger, nullable=False),
    PrimaryKeyConstraint("patient", "chain", "position"),
    Index("event_patient_chain_position", "chain", "position"),
    sqlite_with_rowid=False,
)
"""The patients of an event that showed several."""

event_chain = Table(
    "event_chain",
    metadata,
    Column("chain", Integer, primary_key=True, autoincrement=False),
    Column("opened", BigInteger, nullable=False),
    Column("length", BigInteger, nullable=False),
    Column("head", _Plain, nullable=False),
)
"""The end of each chain. Chain 0 holds the changes; each process that shows the record has one of its own."""

used_token = Table(
    "used_token",
    metadata,
    Column("client", _Plain, nullable=False),
    Column("token", _Plain, nullable=False),
    Column("until", BigInteger, nullable=False),
    PrimaryKeyConstraint("client", "token"),
    sqlite_with_rowid=False,
)
"""Ids of tokens that work once, until they have expired (seconds since 1970)."""
