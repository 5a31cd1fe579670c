"""From what a resource is indexed by to rows of the index tables."""

from __future__ import annotations

from typing import Any

from service.fhir.search_parameters import ObservationRow, Row


def narrow(pk: int, patient: str, row: ObservationRow) -> tuple[Any, ...]:
    """The row of an Observation, by its number in the store and the patient it belongs to."""
    coded = (row.system, row.code, row.category_system, row.category)
    return (pk, row.code_rank, row.category_rank, patient, *coded, *row[6:])


def general(pk: int, place: int, patient: str, kind: str, row: Row) -> tuple[Any, ...]:
    """A row of the general index; `place` numbers the rows of a resource."""
    when = row.when
    dates = (when.lo, when.hi, when.first, when.last) if when else (None, None, None, None)
    return (pk, place, patient, kind, row.parameter, row.qualifier, row.value, *dates)
