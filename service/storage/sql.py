"""SQL as text with its values, for the statements that run at every request.

SQLAlchemy's expressions take ten times longer to build and prepare than SQLite to carry them out. Values are always
parameters; only names of our own tables and columns stand in the text. A question mark stands for a value, and for
nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, CursorResult


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


def _joined(word: str, parts: list[Sql]) -> Sql | None:
    if len(parts) < 2:
        return parts[0] if parts else None
    return Sql(word.join(f"({part.text})" for part in parts), tuple(value for part in parts for value in part.values))


def equals(column: str, value: Any) -> Sql:
    """The column has this value."""
    return Sql(f"{column} = ?", (value,))


def one_of(column: str, values: Sequence[Any]) -> Sql:
    """The column has one of these values."""
    return Sql(f"{column} IN ({', '.join('?' for _ in values)})", tuple(values)) if values else FALSE


_SPELT = re.compile("\x01([^\x01-\x03]*)\x02([^\x01-\x03]*)\x03")


def spelt(sqlite: str, postgresql: str) -> str:
    """A piece of text, without values, that each database spells in its own way; `ask` chooses."""
    return f"\x01{sqlite}\x02{postgresql}\x03"


def ask(connection: Connection, query: Sql) -> CursorResult[Any]:
    """Run a query."""
    text = query.text
    if "\x01" in text:
        text = _SPELT.sub(r"\1" if connection.dialect.name == "sqlite" else r"\2", text)
    text = text if connection.dialect.paramstyle == "qmark" else text.replace("?", "%s")
    return connection.exec_driver_sql(text, query.values)
