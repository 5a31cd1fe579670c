"""A search as understood: what must hold, in which order, and how much of it is wanted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from service.fhir.search_amounts import Amount
from service.fhir.search_dates import Interval
from service.fhir.search_table import Parameter

PAGE = 50
"""Matches on a page when the client names no number."""
LARGEST_PAGE = 1000
MOST_VALUES = 2000
"""Values that one search may ask for: SQLite takes 32,766 in a statement, and a quantity needs up to a dozen."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One value of a token, reference or uri search; None matches anything.

    `qualifier` is the system of a token (empty: must have none) or the type of a reference (empty: an address
    outside this record).
    """

    qualifier: str | None
    value: str | None


@dataclass(frozen=True, slots=True)
class Text:
    """One value of a string search. `value` is folded, except for `exact`, where it is as written."""

    value: str
    how: Literal["starts", "contains", "exact"]


@dataclass(frozen=True, slots=True)
class Moment:
    """One value of a date search; its interval says whether days or instants are compared."""

    prefix: str
    wanted: Interval


@dataclass(frozen=True, slots=True)
class Linked:
    """A chain: the reference points at a resource that `query` finds."""

    query: Query


@dataclass(frozen=True, slots=True)
class Reverse:
    """`_has`: a resource that `query` finds points here by its reference parameter `by`."""

    query: Query
    by: str


@dataclass(frozen=True, slots=True)
class Together:
    """One value of a composite search: all of `clauses` hold."""

    clauses: tuple[Clause, ...]


Wanted = Choice | Text | Moment | Amount | Linked | Reverse | Together


@dataclass(frozen=True, slots=True)
class Clause:
    """One condition: any of `choices` fits (`negated`: none does), or, where `missing` is set, presence itself."""

    parameter: Parameter
    choices: tuple[Wanted, ...]
    negated: bool = False
    missing: bool | None = None


@dataclass(frozen=True, slots=True)
class Include:
    """What is to come along: what resources of the type `source` refer to by the parameter `by` (empty: by any).

    `reverse`: those of the type `source` that refer to a match instead. `target` is the only type wanted at the other
    end, empty for any. `iterate`: also of what came along itself.
    """

    source: str
    by: str
    target: str = ""
    reverse: bool = False
    iterate: bool = False


@dataclass(frozen=True, slots=True)
class Query:
    """A search as understood: all `clauses` must hold.

    `sort` is the name of the parameter that orders the matches, `""` for the type's own order; `then` are the further
    ones, each with whether it descends. `used` holds the
    pairs that were honoured, as written, for the link to this very search; `ignored` those that were not. Where
    `within` is not empty, all clauses of one of its rows must hold too: what the acting person may see; and where
    `among` is not empty, one of its clauses: the compartment that is searched.
    """

    type: str
    clauses: tuple[Clause, ...] = ()
    sort: str = ""
    descending: bool = False
    count: int = PAGE
    total: bool = False
    cursor: str = ""
    used: tuple[tuple[str, str], ...] = ()
    ignored: tuple[tuple[str, str], ...] = ()
    within: tuple[tuple[Clause, ...], ...] = ()
    among: tuple[Clause, ...] = ()
    then: tuple[tuple[str, bool], ...] = ()
    includes: tuple[Include, ...] = ()


def values_in(clauses: Iterable[Clause]) -> int:
    """How many values these ask for, behind their links too."""
    return sum(_values_of(choice) for clause in clauses for choice in clause.choices)


def _values_of(choice: Wanted) -> int:
    if isinstance(choice, Linked | Reverse):
        return values_in(choice.query.clauses)
    return values_in(choice.clauses) if isinstance(choice, Together) else 1
