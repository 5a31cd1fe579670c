"""What left the record, or was set aside in it, and still holds what an erasure takes: releases, exports of charges."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from typing import NamedTuple

from sqlalchemy import Connection, select

from service.storage.charge_exports import charge_line
from service.storage.erase_plan import Plan
from service.storage.inserts import insert
from service.storage.keeping_tables import holder
from service.storage.research_tables import pseudonym, release, release_file


class Holder(NamedTuple):
    """`kind` is release or charge-export."""

    kind: str
    id: str


def holders_of(connection: Connection, plan: Plan) -> list[Holder]:
    """What holds any of what a plan takes."""
    gone = {one.key for one in plan.going}
    return sorted({*_releases(connection, gone), *_exports(connection, {ident for _, ident in gone})})


def keep_holders(connection: Connection, erasure: str, found: list[Holder]) -> None:
    """Write down what still holds what an erasure took: by then nothing else tells."""
    insert(connection, holder, [(erasure, *one) for one in found])


def kept_holders(connection: Connection, erasure: str) -> list[Holder]:
    """What still holds what an erasure took."""
    rows = connection.execute(select(holder).where(holder.c.erasure == erasure))
    return sorted(Holder(row.kind, row.id) for row in rows)


def _releases(connection: Connection, gone: set[tuple[str, str]]) -> Iterator[Holder]:
    """Releases in whose lines a name stands that a resource which goes has in that study."""
    names: dict[str, set[bytes]] = {}
    for row in connection.execute(select(pseudonym), execution_options={"yield_per": 1000}):
        if (row.type, row.id) in gone:
            names.setdefault(row.study, set()).add(row.name.encode())
    for study, own in names.items():
        files = select(release.c.id, release_file.c.body).join_from(
            release, release_file, release.c.id == release_file.c.release
        )
        for row in connection.execute(files.where(release.c.study == study)):
            lines = zlib.decompress(row.body)
            if any(name in lines for name in own):
                yield Holder("release", row.id)


def _exports(connection: Connection, gone: set[str]) -> Iterator[Holder]:
    for row in connection.execute(select(charge_line.c.export, charge_line.c.charge).distinct()):
        if row.charge.rpartition("/")[2] in gone:
            yield Holder("charge-export", row.export)
