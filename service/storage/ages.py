"""When each patient was last seen, and how much of each type is kept of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from service.fhir.search_dates import moment
from service.storage.sql import Sql, ask

_SEEN = (
    "SELECT patient, max(day) AS day FROM ("
    "SELECT patient, max(first_day) AS day FROM observation WHERE first_day BETWEEN 1 AND 3652059 GROUP BY patient "
    "UNION ALL SELECT patient, max(first_day) FROM search_index "
    "WHERE parameter = 'date' AND lo IS NOT NULL AND first_day BETWEEN 1 AND 3652059 GROUP BY patient"
    ") AS days WHERE patient <> '' GROUP BY patient"
)
"""Days between the first and the last that a calendar has; anything else stands for no day."""
_KEPT = (
    "SELECT patient, type, count(*) AS number, max(updated) AS updated FROM resource WHERE patient <> '' "
    "GROUP BY patient, type ORDER BY patient, type"
)


@dataclass(frozen=True, slots=True)
class Age:
    """One patient: the last day on which anything of theirs happened (the last change, where nothing bears a date),
    and the number of resources of each type, deleted ones too."""

    patient: str
    last: date
    kept: dict[str, int]


def ages(connection: Connection) -> Iterator[Age]:
    """Every patient of the record, by id."""
    seen = {row.patient: date.fromordinal(row.day) for row in ask(connection, Sql(_SEEN))}
    kept: dict[str, dict[str, int]] = defaultdict(dict)
    changed: dict[str, int] = defaultdict(int)
    for row in ask(connection, Sql(_KEPT)):
        kept[row.patient][row.type] = row.number
        changed[row.patient] = max(changed[row.patient], row.updated)
    for patient, types in kept.items():
        yield Age(patient, seen.get(patient) or moment(changed[patient]).date(), types)
