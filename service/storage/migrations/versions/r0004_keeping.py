"""What must go and what must stay: erasures, tombstones, legal holds, backups."""

from __future__ import annotations

from alembic import op
from sqlalchemy import BigInteger, Column, Integer, PrimaryKeyConstraint, String, Text

revision = "0004"
down_revision = "0003"

_PLAIN = String().with_variant(String(collation="C"), "postgresql")


def _plain(*names: str) -> list[Column[str]]:
    return [Column(name, _PLAIN, nullable=False) for name in names]


def _text(*names: str) -> list[Column[str]]:
    return [Column(name, Text, nullable=False) for name in names]


def _big(*names: str) -> list[Column[int]]:
    return [Column(name, BigInteger, nullable=False) for name in names]


def _small(*names: str) -> list[Column[int]]:
    return [Column(name, Integer, nullable=False) for name in names]


def _ident() -> Column[str]:
    return Column("id", _PLAIN, primary_key=True)


def upgrade() -> None:
    """Tables beside the record; nothing in it is touched."""
    op.create_table(
        "erasure",
        _ident(),
        *_plain("type", "ident", "state"),
        *_text("reason"),
        *_plain("asked_by"),
        *_text("asked_name"),
        *_big("asked_at"),
        *_plain("decided_by"),
        *_text("decided_name"),
        *_big("decided_at", "first_at"),
        *_small("taken"),
        *_big("cleaned_at"),
    )
    op.create_index("erasure_state", "erasure", ["state"])
    key = PrimaryKeyConstraint("type", "id")
    op.create_table("tombstone", *_plain("type", "id", "erasure"), key, sqlite_with_rowid=False)
    op.create_table(
        "emptied_event",
        *_small("chain"),
        *_big("position"),
        *_plain("erasure", "digest"),
        PrimaryKeyConstraint("chain", "position"),
        sqlite_with_rowid=False,
    )
    op.create_index("emptied_event_erasure", "emptied_event", ["erasure"])
    op.create_table(
        "legal_hold",
        _ident(),
        *_plain("patient"),
        *_text("reason"),
        *_plain("placed_by"),
        *_big("placed_at"),
        *_plain("lifted_by"),
        *_big("lifted_at"),
    )
    op.create_index("legal_hold_patient", "legal_hold", ["patient"])
    op.create_table("backup", _ident(), *_text("name"), *_big("at", "gone_at"))
