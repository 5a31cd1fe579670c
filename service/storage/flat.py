"""The narrow rows of Observations as they stand in the index, for tables of many patients."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection

from service.storage.sql import Sql, stream

DAY_ZERO = 719163
"""1970-01-01 as the proleptic ordinal by which the index counts days."""


def coded_values(connection: Connection, system: str, size: int) -> Iterator[list[Any]]:
    """Of each Observation whose first code is of a code system, and that was not entered in error, one tuple.

    Its members are the id of the patient, the id of the visit, code, code of the site, the local day (days from
    1970-01-01), status, value in millionths of the unit (None without a quantity), and unit; empty texts where there
    is nothing. In the order in which the Observations came, in lists of at most `size`.
    """
    columns = f"patient, encounter, code, body_site, first_day - {DAY_ZERO}, status, value, unit"
    met = "system = ? AND code_rank = 0 AND category_rank = 0 AND status <> 'entered-in-error'"
    query = f"SELECT {columns} FROM observation WHERE {met} ORDER BY pk"  # noqa: S608
    return stream(connection, Sql(query, (system,)), size)
