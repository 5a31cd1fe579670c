"""The tables of Bulk Data exports: what was asked for, and which files have been written so far."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, Integer, PrimaryKeyConstraint, String, Table, Text

from service.storage.tables import metadata

_Plain = String().with_variant(String(collation="C"), "postgresql")

export_job = Table(
    "export_job",
    metadata,
    Column("id", _Plain, primary_key=True),
    Column("state", _Plain, nullable=False),
    Column("txn", BigInteger, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("document", Text, nullable=False),
    Column("worker", _Plain, nullable=False),
    Column("beat", BigInteger, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("finished_at", BigInteger, nullable=False),
    Column("told", Text, nullable=False),
)
"""Exports. `state` is accepted, running, complete, failed, given-up or void; `txn` the last transaction that it
knows of.

Instants are microseconds, 0 where it has not come to that. `document` is who asked for what, as JSON; `worker` the
process that writes it, `beat` when that was last heard of, `tries` how often it was begun since it last got further.
`told` says why one failed. A void one was overtaken by an erasure: its document is empty.
"""

export_file = Table(
    "export_file",
    metadata,
    Column("job", _Plain, nullable=False),
    Column("place", Integer, nullable=False),
    Column("part", Integer, nullable=False),
    Column("name", _Plain, nullable=False),
    Column("type", _Plain, nullable=False),
    Column("deleted", Boolean, nullable=False),
    Column("lines", Integer, nullable=False),
    Column("upto", BigInteger, nullable=False),
    Column("last", Boolean, nullable=False),
    PrimaryKeyConstraint("job", "place", "part"),
)
"""Files that are whole. `place` is the number of the unit of work, `upto` the last resource that was looked at for it,
`last` whether that ends the unit. A file without lines was not kept."""
