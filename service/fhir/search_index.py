"""Every row the store indexes for a resource. Pure; the document alone decides, so the index can always be rebuilt."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

from service.errors import Invalid, Issue
from service.fhir.parts import bytes_of, part_of
from service.fhir.search_amounts import amounts
from service.fhir.search_dates import UNDATED, Interval
from service.fhir.search_paths import (
    LONGEST,
    concept_texts,
    fold,
    found,
    intervals,
    reference_identifiers,
    references,
    texts,
    tokens,
    typed_identifiers,
)
from service.fhir.search_table import Parameter, in_components, parameters_of

Json = dict[str, Any]

_NARROW = frozenset({"code", "date", "category", "status"})
_LINKS = frozenset({"patient", "subject", "encounter"})
_NARROW_LINKS = frozenset({("patient", "Patient"), ("subject", "Patient"), ("encounter", "Encounter")})
"""What of an Observation its own narrow row holds; an outside patient or encounter stands among the general rows."""

VALUE_SCALE = 10**6
"""Observation values are indexed as whole millionths of their unit."""


class Row(NamedTuple):
    """One value under one parameter.

    `qualifier` is the system of a token or quantity, the type of a reference, the text as written of a string. Dates
    have the interval instead of a value; numbers and quantities have their limits in it, in millionths, without days.
    What a modifier searches stands under the name of the parameter with the modifier (`code:text`).
    """

    parameter: str
    qualifier: str = ""
    value: str = ""
    when: Interval | None = None


class ObservationRow(NamedTuple):
    """One pairing of a coding of the code with a coding of the category; most Observations have just one.

    `code_rank` and `category_rank` number them from 0, so that a search that names no code can take rank 0 alone.
    `value` is in millionths of `unit`, rounded half to even; None if there is no quantity or it is out of range.
    """

    system: str
    code: str
    code_rank: int
    category_system: str
    category: str
    category_rank: int
    start: int
    end: int
    first_day: int
    last_day: int
    encounter: str
    body_site: str
    status: str
    value: int | None
    unit: str


@dataclass(frozen=True, slots=True)
class Index:
    """All there is to index. `patient` is the logical id of the patient it belongs to; empty if it belongs to none."""

    patient: str
    rows: tuple[Row, ...]
    observation: tuple[ObservationRow, ...] = ()


def index(resource: Json) -> Index:
    """The index of a resource. Raises `Invalid` if a date in it is none."""
    kind = resource["resourceType"]
    rows: _Rows = {}
    general: list[Row] = []
    try:
        for names, elements in _parts(kind, tuple(resource)):
            part = {"resourceType": kind} | {element: resource[element] for element in elements}
            written = bytes_of(part)
            found_rows, of_general = _known_rows(names, written) if written else _rows_in(names, part)
            rows |= found_rows
            general += of_general
    except ValueError as problem:
        raise Invalid(Issue("value", f"A date {problem}.", where=kind, rule="date")) from None
    narrow = _observation_rows(resource, rows) if kind == "Observation" else ()
    return Index(_patient(resource, rows), tuple(general), narrow)


@lru_cache(maxsize=1024)
def _parts(kind: str, elements: tuple[str, ...]) -> tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]:
    """The parameters that a resource with just these elements can have rows of, by the elements they look at."""
    parts: dict[tuple[str, ...], list[str]] = {}
    for parameter in parameters_of(kind).values():
        if parameter.kind in _ROWS_OF and not (kind == "Observation" and in_components(parameter.name)):
            looked_at = tuple(name for name in elements if any(name in path.keys[0] for path in parameter.paths))
            parts.setdefault(looked_at, []).append(parameter.name)
    return tuple((tuple(names), looked_at) for looked_at, names in parts.items() if looked_at)


_Rows = dict[str, list[Row]]
"""The rows of a resource by parameter; a parameter without any may be missing."""


def _rows_in(names: tuple[str, ...], part: Json) -> tuple[_Rows, tuple[Row, ...]]:
    """The rows of a part of a resource by parameter, and those that an Observation's narrow row does not hold."""
    kind = part["resourceType"]
    rows = {name: rows_of(part, parameters_of(kind)[name]) for name in names}
    every = dict.fromkeys(row for some in rows.values() for row in some)
    return rows, tuple(row for row in every if kind != "Observation" or not _is_narrow(row))


@lru_cache(maxsize=4096)
def _known_rows(names: tuple[str, ...], written: bytes) -> tuple[_Rows, tuple[Row, ...]]:
    return _rows_in(names, part_of(written))


def _is_narrow(row: Row) -> bool:
    return row.parameter in _NARROW or (row.parameter in _LINKS and row[:2] in _NARROW_LINKS)


def _patient(resource: Json, rows: _Rows) -> str:
    if resource["resourceType"] == "Patient":
        return str(resource.get("id", ""))
    name = "patient" if "patient" in parameters_of(resource["resourceType"]) else "subject"
    return next((row.value for row in rows.get(name, ()) if row.qualifier == "Patient"), "")


def rows_of(resource: Json, parameter: Parameter) -> list[Row]:
    """The rows of a resource under one parameter, with those of its modifiers."""
    rows: list[Row] = []
    read = _ROWS_OF.get(parameter.kind)
    if read is None:  # a composite, whose parts have rows of their own
        return rows
    for path in parameter.paths:
        values = found(resource, path)
        if not values:
            continue
        made: list[Row] = []
        for value in values:
            made += read(parameter.name, value)
        target = path.target or parameter.target
        if target:
            made = [row for row in made if row.qualifier in (target, "")]
        rows += made
        rows += _of_modifiers(resource["resourceType"], parameter, values)
    return rows


def _of_modifiers(kind: str, parameter: Parameter, values: list[Any]) -> Iterator[Row]:
    """What the modifiers `:text`, `:of-type` and `:identifier` search."""
    if parameter.kind == "token":
        if kind != "Observation" or parameter.name == "code":
            yield from _words(parameter, values)
        if parameter.name == "identifier":
            for system, joined in (pair for value in values for pair in typed_identifiers(value)):
                yield Row("identifier:of-type", system, joined)
    elif parameter.kind == "reference" and any("identifier" in value for value in values if isinstance(value, dict)):
        for system, code in (pair for value in values for pair in reference_identifiers(value)):
            yield Row(f"{parameter.name}:identifier", system, code)


def _words(parameter: Parameter, values: list[Any]) -> Iterator[Row]:
    for text in dict.fromkeys(text for value in values for text in concept_texts(value)):
        yield Row(f"{parameter.name}:text", text, fold(text))


def _amounts(name: str, value: Any) -> Iterator[Row]:
    for system, code, lo, hi in amounts(value):
        yield Row(name, system, code, Interval(lo, hi, 0, 0))


_ROWS_OF: dict[str, Callable[[str, Any], Iterable[Row]]] = {
    "token": lambda name, value: [Row(name, system, code) for system, code in tokens(value)],
    "reference": lambda name, value: [Row(name, kind, ident) for kind, ident in references(value)],
    "string": lambda name, value: (Row(name, text, fold(text)) for text in texts(value)),
    "date": lambda name, value: (Row(name, when=when) for when in intervals(value)),
    "number": _amounts,
    "quantity": _amounts,
    "uri": lambda name, value: (Row(name, value=value[:LONGEST]),) if isinstance(value, str) else (),
}


_NO_DATE = Interval(UNDATED, UNDATED, UNDATED, UNDATED)


def _observation_rows(resource: Json, rows: _Rows) -> tuple[ObservationRow, ...]:
    when = next((row.when for row in rows.get("date", ()) if row.when), _NO_DATE)
    encounter = next((row.value for row in rows.get("encounter", ()) if row.qualifier == "Encounter"), "")
    site = next((code for _, code in tokens(resource.get("bodySite"))), "")
    value, unit = _quantity(resource.get("valueQuantity", {}))
    status = resource.get("status", "")
    return tuple(
        ObservationRow(
            system, code, code_rank, category_system, category, category_rank,
            when.lo, when.hi, when.first, when.last, encounter, site, status, value, unit,
        )
        for code_rank, (system, code) in enumerate(_codings(rows, "code"))
        for category_rank, (category_system, category) in enumerate(_codings(rows, "category"))
    )  # fmt: skip


def _codings(rows: _Rows, name: str) -> list[tuple[str, str]]:
    pairs = dict.fromkeys((row.qualifier, row.value) for row in rows.get(name, ()) if row.parameter == name)
    return list(pairs) or [("", "")]


def _quantity(quantity: Json) -> tuple[int | None, str]:
    value = quantity.get("value")
    unit = str(quantity.get("code", quantity.get("unit", "")))
    if not isinstance(value, (Decimal, int)):
        return None, unit
    scaled = round(Decimal(value) * VALUE_SCALE)
    return (scaled if abs(scaled) < 2**63 else None), unit
