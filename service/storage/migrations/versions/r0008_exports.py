"""Bulk Data exports and their files."""

from __future__ import annotations

from alembic import op
from sqlalchemy import BigInteger, Boolean, Column, Integer, PrimaryKeyConstraint, String, Text

revision = "0008"
down_revision = "0007"

_PLAIN = String().with_variant(String(collation="C"), "postgresql")


def _plain(*names: str) -> list[Column[str]]:
    return [Column(name, _PLAIN, nullable=False) for name in names]


def _big(*names: str) -> list[Column[int]]:
    return [Column(name, BigInteger, nullable=False) for name in names]


def upgrade() -> None:
    """Tables beside the record; nothing in it is touched."""
    op.create_table(
        "export_job",
        Column("id", _PLAIN, primary_key=True),
        *_plain("state"),
        *_big("txn", "at"),
        Column("document", Text, nullable=False),
        *_plain("worker"),
        *_big("beat"),
        Column("tries", Integer, nullable=False),
        *_big("finished_at"),
        Column("told", Text, nullable=False),
    )
    op.create_table(
        "export_file",
        *_plain("job"),
        Column("place", Integer, nullable=False),
        Column("part", Integer, nullable=False),
        *_plain("name", "type"),
        Column("deleted", Boolean, nullable=False),
        Column("lines", Integer, nullable=False),
        *_big("upto"),
        Column("last", Boolean, nullable=False),
        PrimaryKeyConstraint("job", "place", "part"),
    )
