"""The tables of research: studies, the names that patients and resources have in one, counts asked, and releases."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from service.storage.tables import metadata

_Plain = String().with_variant(String(collation="C"), "postgresql")

study = Table("study", metadata, Column("id", _Plain, primary_key=True), Column("document", Text, nullable=False))
"""Studies as JSON: none of what is in one names a patient."""

pseudonym = Table(
    "pseudonym",
    metadata,
    Column("study", _Plain, nullable=False),
    Column("type", _Plain, nullable=False),
    Column("id", _Plain, nullable=False),
    Column("patient", _Plain, nullable=False),
    Column("name", _Plain, nullable=False),
    Column("weeks", Integer, nullable=False),
    PrimaryKeyConstraint("study", "type", "id"),
    UniqueConstraint("study", "name"),
)
"""What a resource is called in a study. Drawn at random, computed from nothing; `weeks` moves a patient's dates."""

study_count = Table(
    "study_count",
    metadata,
    Column("study", _Plain, nullable=False),
    Column("number", Integer, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("by", _Plain, nullable=False),
    Column("criteria", Text, nullable=False),
    Column("found", Integer, nullable=False),
    PrimaryKeyConstraint("study", "number"),
    sqlite_with_rowid=False,
)
"""Every count that was asked for a study: who, when, of what, and how many there were."""

release = Table(
    "release",
    metadata,
    Column("id", _Plain, primary_key=True),
    Column("study", _Plain, nullable=False),
    Column("number", Integer, nullable=False),
    Column("txn", BigInteger, nullable=False),
    Column("manifest", Text, nullable=False),
    UniqueConstraint("study", "number"),
)
"""Releases: `txn` is the number of the last transaction that one knows of."""

release_file = Table(
    "release_file",
    metadata,
    Column("release", _Plain, nullable=False),
    Column("name", _Plain, nullable=False),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("release", "name"),
)
"""The lines that a release consists of, one file for each type, compressed (zlib)."""
