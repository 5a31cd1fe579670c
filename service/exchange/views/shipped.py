"""Every table that is shipped, by name: generated from the declarations, so that a new kind has its table at once."""

from __future__ import annotations

from functools import cache

from service.errors import Issue, NotFound
from service.exchange.views.index_table import values_table
from service.exchange.views.orthosis_tables import orthosis_tables
from service.exchange.views.reading_tables import reading_tables
from service.exchange.views.record_tables import record_tables
from service.exchange.views.table import Table


@cache
def tables() -> dict[str, Table]:
    """Name to table, in the order in which they are listed."""
    return {table.name: table for table in (*record_tables(), *orthosis_tables(), *reading_tables(), values_table())}


def find_table(name: str) -> Table:
    """The table of this name, or whose ViewDefinition has this address. Raises `NotFound`."""
    last = name.partition("|")[0].removeprefix("ViewDefinition/")
    found = tables().get(last) or next((table for table in tables().values() if table.url == last), None)
    if found is None:
        message, expected = "There is no view of this name here.", "one of " + ", ".join(tables())
        raise NotFound(Issue("not-found", message, "viewReference", name, expected=expected))
    return found
