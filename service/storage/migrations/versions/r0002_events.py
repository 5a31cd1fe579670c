"""Who did what: events bound in chains, instead of bare rows about changes."""

from __future__ import annotations

from alembic import op
from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    insert,
    select,
    text,
)

from service.domain.actor import Actor
from service.storage.audit_chain import CHANGES, START, Chain, Event

revision = "0002"
down_revision = "0001"

_PLAIN = String().with_variant(String(collation="C"), "postgresql")


def _plain(*names: str) -> list[Column[str]]:
    return [Column(name, _PLAIN, nullable=False) for name in names]


def _text(*names: str) -> list[Column[str]]:
    return [Column(name, Text, nullable=False) for name in names]


def _number(*names: str) -> list[Column[int]]:
    return [Column(name, BigInteger, nullable=False) for name in names]


def _small(*names: str) -> list[Column[int]]:
    return [Column(name, Integer, nullable=False) for name in names]


def upgrade() -> None:
    """The changes written down so far become the beginning of the first chain."""
    _make_tables()
    connection = op.get_bind()
    chains = Table("event_chain", MetaData(), *_small("chain"), *_number("opened", "length"), *_plain("head"))
    connection.execute(insert(chains), {"chain": CHANGES, "opened": 0, "length": 0, "head": START})
    _take_over(connection)
    op.drop_table("audit")


def _make_tables() -> None:
    op.create_table(
        "event",
        *_small("chain"),
        *_number("position", "at"),
        *_plain("actor"),
        *_text("actor_name"),
        *_plain("actor_role", "client", "source", "act", "type", "id"),
        *_small("version"),
        *_plain("patient", "outcome"),
        *_text("query", "reason"),
        *_plain("digest", "link"),
        PrimaryKeyConstraint("chain", "position"),
        sqlite_with_rowid=False,
    )
    for columns in (["patient", "at"], ["actor", "at"], ["at"]):
        op.create_index("_".join(["event", *columns]), "event", columns)
    only = text("chain = 0")
    op.create_index("event_type_id", "event", ["type", "id", "version"], sqlite_where=only, postgresql_where=only)
    key = PrimaryKeyConstraint("patient", "chain", "position")
    op.create_table(
        "event_patient", *_plain("patient"), *_small("chain"), *_number("position"), key, sqlite_with_rowid=False
    )
    op.create_index("event_patient_chain_position", "event_patient", ["chain", "position"])
    number = Column("chain", Integer, primary_key=True, autoincrement=False)
    op.create_table("event_chain", number, *_number("opened", "length"), *_plain("head"))
    key = PrimaryKeyConstraint("client", "token")
    op.create_table("used_token", *_plain("client", "token"), *_number("until"), key, sqlite_with_rowid=False)


def _take_over(connection: Connection) -> None:
    names = ("patient", "actor", "actor_name", "actor_role", "act", "type", "id")
    old = Table("audit", MetaData(), *_plain(*names), *_number("txn", "position", "at"), *_small("version"))
    order = select(old).order_by(old.c.txn, old.c.position)
    chain = Chain(CHANGES, 0, START)
    for rows in connection.execute(order).partitions(1000):
        events = [
            Event(
                row.at, Actor(row.actor, row.actor_name, row.actor_role), row.act, row.type, row.id, row.version,
                (row.patient,),
            )
            for row in rows
        ]  # fmt: skip
        chain = chain.append(connection, events)
