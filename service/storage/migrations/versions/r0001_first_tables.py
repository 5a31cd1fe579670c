"""The first tables."""

from __future__ import annotations

from alembic import op
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Integer,
    PrimaryKeyConstraint,
    String,
    Text,
    UniqueConstraint,
    text,
)

revision = "0001"
down_revision = None

_PLAIN = String().with_variant(String(collation="C"), "postgresql")
_KEY = BigInteger().with_variant(Integer, "sqlite")


def _plain(*names: str) -> list[Column[str]]:
    return [Column(name, _PLAIN, nullable=False) for name in names]


def _big(*names: str, nullable: bool = False) -> list[Column[int]]:
    return [Column(name, BigInteger, nullable=nullable) for name in names]


def _version() -> list[Column[int]]:
    return [Column("version", Integer, nullable=False)]


def _document() -> list[Column[str] | Column[int] | Column[bool]]:
    return [
        *_version(),
        *_big("txn", "updated"),
        *_plain("method"),
        Column("deleted", Boolean, nullable=False),
        Column("body", Text, nullable=False),
    ]


def upgrade() -> None:
    """Forward only: a stored document is never rewritten."""
    _the_store()
    _the_index()
    _the_changes()


def _the_store() -> None:
    op.create_table("meta", Column("key", _PLAIN, primary_key=True), Column("value", Text, nullable=False))
    op.create_table(
        "resource",
        Column("pk", _KEY, primary_key=True, autoincrement=False),
        *_plain("type", "id", "patient"),
        *_document(),
        UniqueConstraint("type", "id", name="resource_type_id_key"),
    )
    op.create_index("resource_patient_type_pk", "resource", ["patient", "type", "pk"])
    op.create_index("resource_type_pk", "resource", ["type", "pk"])
    op.create_index("resource_type_updated_pk", "resource", ["type", "updated", "pk"])
    op.create_table(
        "resource_version",
        *_big("pk"),
        *_plain("patient"),
        *_document(),
        PrimaryKeyConstraint("pk", "version", "patient"),
        sqlite_with_rowid=False,
    )


def _the_index() -> None:
    op.create_table(
        "observation",
        *_big("pk"),
        Column("code_rank", Integer, nullable=False),
        Column("category_rank", Integer, nullable=False),
        *_plain("patient", "system", "code", "category_system", "category"),
        *_big("start", "end", "first_day", "last_day"),
        *_plain("encounter", "body_site", "status"),
        *_big("value", nullable=True),
        *_plain("unit"),
        PrimaryKeyConstraint("pk", "code_rank", "category_rank", "patient"),
        sqlite_with_rowid=False,
    )
    for columns in (
        ["patient", "code", "start", "pk"],
        ["patient", "category", "start", "pk"],
        ["patient", "start", "pk"],
        ["code", "start", "pk"],
        ["start", "pk"],
        ["encounter"],
    ):
        op.create_index("_".join(["observation", *columns]), "observation", columns)
    op.create_table(
        "search_index",
        *_big("pk"),
        Column("position", Integer, nullable=False),
        *_plain("patient", "type", "parameter", "qualifier", "value"),
        *_big("lo", "hi", "first_day", "last_day", nullable=True),
        PrimaryKeyConstraint("pk", "position", "patient"),
        sqlite_with_rowid=False,
    )
    for name, columns, only in (
        ("search_index_value", ["value", "parameter", "type", "pk"], text("lo IS NULL")),
        ("search_index_lo", ["type", "parameter", "lo", "pk"], text("lo IS NOT NULL")),
    ):
        op.create_index(name, "search_index", columns, sqlite_where=only, postgresql_where=only)


def _the_changes() -> None:
    op.create_table(
        "txn",
        Column("number", _KEY, primary_key=True, autoincrement=False),
        *_big("at"),
        Column("actor", Text, nullable=False),
    )
    key = PrimaryKeyConstraint("type", "condition")
    op.create_table("claim", *_plain("type", "condition", "id"), *_big("txn"), key)
    op.create_table(
        "audit",
        *_big("txn"),
        Column("position", Integer, nullable=False),
        *_plain("patient"),
        *_big("at"),
        Column("actor", Text, nullable=False),
        Column("actor_name", Text, nullable=False),
        Column("actor_role", Text, nullable=False),
        *_plain("act", "type", "id"),
        *_version(),
        PrimaryKeyConstraint("txn", "position", "patient"),
        sqlite_with_rowid=False,
    )
    op.create_index("audit_type_id", "audit", ["type", "id", "txn"])
    op.create_index("audit_patient_txn", "audit", ["patient", "txn"])
