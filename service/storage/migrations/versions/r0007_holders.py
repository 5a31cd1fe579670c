"""What still holds what an erasure took."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column, PrimaryKeyConstraint, String

revision = "0007"
down_revision = "0006"

_PLAIN = String().with_variant(String(collation="C"), "postgresql")


def upgrade() -> None:
    """A table beside the record; nothing in it is touched."""
    columns = [Column(name, _PLAIN, nullable=False) for name in ("erasure", "kind", "id")]
    op.create_table("holder", *columns, PrimaryKeyConstraint("erasure", "kind", "id"), sqlite_with_rowid=False)
