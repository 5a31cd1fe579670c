"""SQL as text with its values, given to the driver itself: for the statements that run at every request.

SQLAlchemy's expressions take ten times longer to build, prepare and read than SQLite to carry them out. Values are
always parameters; only names of our own tables and columns stand in the text. A question mark stands for a value, and
for nothing else.
"""

from __future__ import annotations

import re
from collections import namedtuple
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError


class Sql(NamedTuple):
    """A piece of SQL and the values of its question marks, in their order."""

    text: str
    values: tuple[Any, ...] = ()


TRUE, FALSE = Sql("1 = 1"), Sql("1 = 0")


def both(parts: Iterable[Sql]) -> Sql:
    """All of the conditions hold; true where there is none."""
    return _joined(" AND ", list(parts)) or TRUE


def either(parts: Iterable[Sql]) -> Sql:
    """One of the conditions holds; false where there is none."""
    return _joined(" OR ", list(parts)) or FALSE


def negated(part: Sql) -> Sql:
    """The condition does not hold."""
    return Sql(f"NOT ({part.text})", part.values)


_MOST = 200
"""Conditions joined at once: SQLite takes a tree of at most 1000 levels, and a row of them is as deep as it is long."""


def _joined(word: str, parts: list[Sql]) -> Sql | None:
    if len(parts) < 2:
        return parts[0] if parts else None
    if len(parts) > _MOST:
        some = (_joined(word, parts[start : start + _MOST]) for start in range(0, len(parts), _MOST))
        return _joined(word, [one for one in some if one])
    return Sql(word.join(f"({part.text})" for part in parts), tuple(value for part in parts for value in part.values))


def equals(column: str, value: Any) -> Sql:
    """The column has this value."""
    return Sql(f"{column} = ?", (value,))


def one_of(column: str, values: Sequence[Any]) -> Sql:
    """The column has one of these values."""
    return Sql(f"{column} IN ({', '.join('?' for _ in values)})", tuple(values)) if values else FALSE


def apart(query: Sql) -> Sql:
    """A query of one column that depends on nothing around it: `ask` writes it before the whole statement.

    SQLite reads only so many brackets within brackets (a parser stack of 100), fewer than a long chain needs.
    """
    return Sql(f"\x04{query.text}\x05", query.values)


def _unfolded(query: Sql) -> Sql:
    """The statement with what stands apart before it, and the values in the order they have then."""
    if "\x04" not in query.text:
        return query
    values, before, open_ones = iter(query.values), list[Sql](), [(list[str](), list[Any]())]
    for piece in re.split("([\x04\x05?])", query.text):
        if piece == "\x04":
            open_ones.append(([], []))
        elif piece == "\x05":
            text, own = open_ones.pop()
            open_ones[-1][0].append(f"SELECT found FROM q{len(before)}")  # noqa: S608
            before.append(Sql(f"q{len(before)}(found) AS ({''.join(text)})", tuple(own)))
        else:
            open_ones[-1][0].append(piece)
            open_ones[-1][1].extend([next(values)] if piece == "?" else [])
    (text, own), *_ = open_ones
    written = ", ".join(one.text for one in before)
    return Sql(f"WITH {written} {''.join(text)}", (*(value for one in before for value in one.values), *own))


def ask(connection: Connection, query: Sql) -> list[Any]:
    """The rows that a query finds, their columns as attributes."""
    query = _unfolded(query)
    with _cursor(connection) as cursor:
        cursor.execute(_marked(connection, query.text), query.values)
        rows = cursor.fetchall()
        made = _row(tuple(column[0] for column in cursor.description))
    return list(map(made, rows))


def ask_first(connection: Connection, query: Sql) -> Any:
    """The first row that a query finds, None if it finds none."""
    return next(iter(ask(connection, query)), None)


def stream(connection: Connection, query: Sql, size: int) -> Iterator[list[Any]]:
    """The rows that a query finds, as plain tuples, at most `size` of them at a time in memory."""
    with _cursor(connection, "stream" if connection.dialect.name == "postgresql" else "") as cursor:
        cursor.execute(_marked(connection, query.text), query.values)
        while rows := cursor.fetchmany(size):
            yield rows


def tell(connection: Connection, change: Sql) -> int:
    """Carry out a change; how many rows it met."""
    with _cursor(connection) as cursor:
        cursor.execute(_marked(connection, change.text), change.values)
        return int(cursor.rowcount)


def tell_each(connection: Connection, text: str, rows: Sequence[tuple[Any, ...]]) -> None:
    """Carry out a change once for each row of values."""
    with _cursor(connection) as cursor:
        cursor.executemany(_marked(connection, text), rows)


@contextmanager
def _cursor(connection: Connection, name: str = "") -> Iterator[Any]:
    """A cursor of the driver, with a name one of the server; its errors leave as SQLAlchemy's, without the values."""
    cursor = connection.connection.cursor(name) if name else connection.connection.cursor()
    try:
        yield cursor
    except connection.dialect.loaded_dbapi.Error as problem:
        raise DBAPIError.instance(None, None, problem, Exception) from problem
    finally:
        cursor.close()


_SPELT = re.compile("\x01([^\x01-\x03]*)\x02([^\x01-\x03]*)\x03")


def spelt(sqlite: str, postgresql: str) -> str:
    """A piece of text, without values, that each database spells in its own way; `ask` chooses."""
    return f"\x01{sqlite}\x02{postgresql}\x03"


def _marked(connection: Connection, text: str) -> str:
    if "\x01" in text:
        text = _SPELT.sub(r"\1" if connection.dialect.name == "sqlite" else r"\2", text)
    return text if connection.dialect.paramstyle == "qmark" else text.replace("?", "%s")


_named: Any = namedtuple


@lru_cache(maxsize=256)
def _row(names: tuple[str, ...]) -> Any:
    """What makes a row with these columns of its values."""
    return _named("Row", names, rename=True)._make
