"""With what a resource has left the record: exports of charges, and releases for research."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

from sqlalchemy import Connection

from service.storage.sql import Sql, ask, both, equals, one_of

_CHUNK = 500


@dataclass(frozen=True, slots=True)
class Departure:
    """One thing that left: `what` is `export of charges` or `release`, `id` is its id, `reference` what was in it.

    A release may have left it out by its own rules; it knew of the resource when it was made.
    """

    what: str
    id: str
    reference: str


def departures(connection: Connection, keys: Collection[tuple[str, str]]) -> list[Departure]:
    """With what these resources (type, id) left."""
    found: list[Departure] = []
    for kind, pairs in groupby(sorted(keys), key=itemgetter(0)):
        idents = [ident for _, ident in pairs]
        for start in range(0, len(idents), _CHUNK):
            some = idents[start : start + _CHUNK]
            found += _exported(connection, some) if kind == "ChargeItem" else ()
            found += _released(connection, kind, some)
    return found


def _exported(connection: Connection, charges: Sequence[str]) -> Iterator[Departure]:
    where = both([one_of("charge", charges), Sql("kind <> 'envelope'")])
    query = f"SELECT export, charge FROM charge_line WHERE {where.text} ORDER BY at, export"  # noqa: S608
    for row in ask(connection, Sql(query, where.values)):
        yield Departure("export of charges", row.export, f"ChargeItem/{row.charge}")


def _released(connection: Connection, kind: str, idents: Sequence[str]) -> Iterator[Departure]:
    for made in ask(connection, Sql("SELECT id, study, txn FROM release ORDER BY txn, id")):
        named = both([equals("p.study", made.study), equals("p.type", kind), one_of("p.id", idents)])
        first = "coalesce((SELECT min(v.txn) FROM resource_version v WHERE v.pk = r.pk), r.txn) <= ?"
        query = (
            "SELECT p.id FROM pseudonym p JOIN resource r ON r.type = p.type AND r.id = p.id "  # noqa: S608
            f"WHERE {named.text} AND {first} ORDER BY p.id"
        )
        for row in ask(connection, Sql(query, (*named.values, made.txn))):
            yield Departure("release", made.id, f"{kind}/{row.id}")
