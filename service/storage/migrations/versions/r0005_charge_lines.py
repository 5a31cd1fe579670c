"""The lines that exports of charges left with."""

from __future__ import annotations

from alembic import op
from sqlalchemy import BigInteger, Column, Integer, PrimaryKeyConstraint, String, Text

revision = "0005"
down_revision = "0004"

_PLAIN = String().with_variant(String(collation="C"), "postgresql")


def upgrade() -> None:
    """A table beside the record; nothing in it is touched."""
    op.create_table(
        "charge_line",
        Column("export", _PLAIN, nullable=False),
        Column("position", Integer, nullable=False),
        *(Column(name, _PLAIN, nullable=False) for name in ("patient", "kind", "charge")),
        Column("at", BigInteger, nullable=False),
        *(Column(name, Text, nullable=False) for name in ("csv", "entry")),
        PrimaryKeyConstraint("export", "position", "patient"),
        sqlite_with_rowid=False,
    )
