"""Studies, the names in them, counts asked, and releases."""

from __future__ import annotations

from alembic import op
from sqlalchemy import (
    BigInteger,
    Column,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    String,
    Text,
    UniqueConstraint,
)

revision = "0006"
down_revision = "0005"

_PLAIN = String().with_variant(String(collation="C"), "postgresql")


def _plain(*names: str) -> list[Column[str]]:
    return [Column(name, _PLAIN, nullable=False) for name in names]


def upgrade() -> None:
    """Tables beside the record; nothing in it is touched."""
    op.create_table("study", Column("id", _PLAIN, primary_key=True), Column("document", Text, nullable=False))
    op.create_table(
        "pseudonym",
        *_plain("study", "type", "id", "patient", "name"),
        Column("weeks", Integer, nullable=False),
        PrimaryKeyConstraint("study", "type", "id"),
        UniqueConstraint("study", "name", name="pseudonym_study_name_key"),
    )
    op.create_table(
        "study_count",
        *_plain("study"),
        Column("number", Integer, nullable=False),
        Column("at", BigInteger, nullable=False),
        *_plain("by"),
        Column("criteria", Text, nullable=False),
        Column("found", Integer, nullable=False),
        PrimaryKeyConstraint("study", "number"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "release",
        Column("id", _PLAIN, primary_key=True),
        *_plain("study"),
        Column("number", Integer, nullable=False),
        Column("txn", BigInteger, nullable=False),
        Column("manifest", Text, nullable=False),
        UniqueConstraint("study", "number", name="release_study_number_key"),
    )
    op.create_table(
        "release_file",
        *_plain("release", "name"),
        Column("body", LargeBinary, nullable=False),
        PrimaryKeyConstraint("release", "name"),
    )
