"""The latest few Observations of each code."""

from __future__ import annotations

from sqlalchemy import Connection

from service.fhir.search_parameters import Query
from service.storage.conditions import conditions_of
from service.storage.sql import Sql, ask
from service.storage.stored import VERSION, Stored

_WORDS = (
    "CASE WHEN code = '' THEN coalesce((SELECT min(s.value) FROM search_index s WHERE s.pk = observation.pk "
    "AND s.parameter = 'code:text'), '') ELSE '' END"
)
"""What was measured in words, where no code says it."""


def latest(connection: Connection, query: Query, most: int) -> tuple[Stored, ...]:
    """Of the matches of a search of Observations, at most `most` of each code, newest first.

    Those without a code are told apart by their words; one with several codings counts under each that is met.
    """
    where, _ = conditions_of(query)
    met = f'SELECT DISTINCT pk, system, code, {_WORDS} AS words, "start" AS at FROM observation WHERE {where.text}'  # noqa: S608
    ranked = f"SELECT pk, row_number() OVER (PARTITION BY system, code, words ORDER BY at DESC, pk DESC) AS place FROM ({met}) AS met"  # noqa: S608, E501
    newest = f"SELECT DISTINCT pk FROM ({ranked}) AS ranked WHERE place <= {int(most)}"  # noqa: S608
    whole = (
        f"SELECT r.id, {VERSION} FROM resource r WHERE r.pk IN ({newest}) "  # noqa: S608
        'ORDER BY (SELECT max(o."start") FROM observation o WHERE o.pk = r.pk) DESC, r.pk DESC'
    )
    return tuple(Stored.of(query.type, row.id, row) for row in ask(connection, Sql(whole, where.values)))
