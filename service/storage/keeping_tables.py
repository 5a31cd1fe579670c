"""The tables of what must go and what must stay: erasures, what they took, legal holds, backups that were made.

None of them holds anything of a resource but its type, its id and numbers of versions.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, Integer, PrimaryKeyConstraint, String, Table, Text

from service.storage.tables import metadata

_Plain = String().with_variant(String(collation="C"), "postgresql")

erasure = Table(
    "erasure",
    metadata,
    Column("id", _Plain, primary_key=True),
    Column("type", _Plain, nullable=False),
    Column("ident", _Plain, nullable=False),
    Column("state", _Plain, nullable=False),
    Column("reason", Text, nullable=False),
    Column("asked_by", _Plain, nullable=False),
    Column("asked_name", Text, nullable=False),
    Column("asked_at", BigInteger, nullable=False),
    Column("decided_by", _Plain, nullable=False),
    Column("decided_name", Text, nullable=False),
    Column("decided_at", BigInteger, nullable=False),
    Column("first_at", BigInteger, nullable=False),
    Column("taken", Integer, nullable=False),
    Column("cleaned_at", BigInteger, nullable=False),
    Index("erasure_state", "state"),
)
"""What somebody asked to have erased, and what came of it: `state` is asked, withdrawn or erased.

Instants are microseconds, 0 where it has not come to that. `first_at` is when the first version of what was erased was
written, `taken` how many resources went, `cleaned_at` when no trace of them was left in the database's files.
"""

tombstone = Table(
    "tombstone",
    metadata,
    Column("type", _Plain, nullable=False),
    Column("id", _Plain, nullable=False),
    Column("erasure", _Plain, nullable=False),
    PrimaryKeyConstraint("type", "id"),
    sqlite_with_rowid=False,
)
"""What stands where a resource was."""

emptied_event = Table(
    "emptied_event",
    metadata,
    Column("chain", Integer, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("erasure", _Plain, nullable=False),
    Column("digest", _Plain, nullable=False),
    PrimaryKeyConstraint("chain", "position"),
    Index("emptied_event_erasure", "erasure"),
    sqlite_with_rowid=False,
)
"""Events whose words (the query, the reason for an emergency) went with a patient; `digest` is over what is left."""

legal_hold = Table(
    "legal_hold",
    metadata,
    Column("id", _Plain, primary_key=True),
    Column("patient", _Plain, nullable=False),
    Column("reason", Text, nullable=False),
    Column("placed_by", _Plain, nullable=False),
    Column("placed_at", BigInteger, nullable=False),
    Column("lifted_by", _Plain, nullable=False),
    Column("lifted_at", BigInteger, nullable=False),
    Index("legal_hold_patient", "patient"),
)
"""Whose record nothing may be erased or deleted of: in force while `lifted_at` is 0."""

backup = Table(
    "backup",
    metadata,
    Column("id", _Plain, primary_key=True),
    Column("name", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("gone_at", BigInteger, nullable=False),
)
"""Backups that were made of this record, and when somebody said that one was destroyed (0: not yet)."""

holder = Table(
    "holder",
    metadata,
    Column("erasure", _Plain, nullable=False),
    Column("kind", _Plain, nullable=False),
    Column("id", _Plain, nullable=False),
    PrimaryKeyConstraint("erasure", "kind", "id"),
    sqlite_with_rowid=False,
)
"""Releases and exports that hold something of what an erasure took."""
