"""Which search parameters exist, how their values parse, what of a resource each finds.

Everything here is pure: text in, a `Query` out; a resource in, its `Index` out. What SQL becomes of them is the
storage layer's business.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from functools import lru_cache

from service.errors import Invalid, Issue
from service.fhir.definitions import DEFINITION_TYPES, SERVED_TYPES, resource_types
from service.fhir.members import members
from service.fhir.search_amounts import Amount, Measure
from service.fhir.search_dates import Interval
from service.fhir.search_index import Index, ObservationRow, Row, index
from service.fhir.search_query import (
    LARGEST_PAGE,
    MOST_VALUES,
    PAGE,
    Choice,
    Clause,
    Include,
    Linked,
    Moment,
    Query,
    Reverse,
    Text,
    Together,
    Wanted,
    values_in,
)
from service.fhir.search_results import NOT_OF_THE_SEARCH, RESULT_PARAMETERS, Results, sortable
from service.fhir.search_table import Parameter, parameters_of
from service.fhir.search_terms import related
from service.fhir.search_values import (
    EXPECTED,
    PREFIXES,
    amount,
    bad,
    moment,
    plain,
    reference,
    split,
    string,
    token,
    typed_identifier,
    uri,
)

__all__ = [
    "LARGEST_PAGE", "PAGE", "PREFIXES", "Amount", "Choice", "Clause", "Include", "Index", "Interval", "Linked",
    "Measure", "Moment", "ObservationRow", "Parameter", "Query", "Reverse", "Row", "Text", "Together", "index",
    "parameters_of", "parse", "sortable",
]  # fmt: skip


def parse(
    resource_type: str,
    pairs: Sequence[tuple[str, str]],
    *,
    lenient: bool = False,
    zone: tzinfo | None = None,
    base: str = "",
) -> Query:
    """The query that `pairs`, in the order of the URL, ask of `resource_type`.

    `zone` reads times that name no offset; `base` is this server's own address, so that a reference written with it
    is known as local. Raises `Invalid`: for an unknown parameter or modifier unless `lenient`, for a bad value always.
    """
    clauses: list[Clause] = []
    results, terms = Results(resource_type), _Terms(zone, base)
    used, ignored = [], []
    for name, value in pairs:
        if name.partition(":")[0] in RESULT_PARAMETERS:
            results.take(name, value)
            used.append((name, value))
            continue
        try:
            read = _known_clause if len(value) <= _SHORT else _clause
            clauses.append(read(resource_type, name, value, terms))
        except _Unknown as unknown:
            if not lenient:
                raise Invalid(*unknown.issues) from None
            ignored.append((name, value))
            continue
        used.append((name, value))
    asked = values_in(clauses)
    if asked > MOST_VALUES:
        message = f"This search asks for {asked} values, in all types that its chains lead to; fewer can be looked for."
        raise Invalid(Issue("too-costly", message, rule="search-value", expected=f"at most {MOST_VALUES} at once"))
    return Query(
        resource_type, tuple(clauses), results.sort, results.descending, results.count, results.total,
        results.cursor, tuple(pair for pair in used if pair[0] not in NOT_OF_THE_SEARCH), tuple(ignored),
        then=results.then, includes=tuple(results.includes),
    )  # fmt: skip


class _Unknown(Invalid):
    """A parameter or modifier that this server does not know; a lenient search leaves it out."""


@dataclass(frozen=True, slots=True)
class _Terms:
    """How values are read, and how many links deep the reading is."""

    zone: tzinfo | None
    base: str
    deep: int = 0

    def deeper(self, name: str, value: str) -> _Terms:
        if self.deep >= _DEEPEST:
            raise bad(name, value, "a shorter chain", f"at most {_DEEPEST} links")
        return replace(self, deep=self.deep + 1)


_DEEPEST = 4
"""Links of a chain; each joins the whole record once more."""
_EVENTS = "AuditEvent"
"""Kept beside the record, in chains of their own: no search of other types leads there, and none from there away."""
_REVERSE = re.compile(r"_has:(?P<type>[A-Z][A-Za-z]+):(?P<by>[A-Za-z0-9_-]+):(?P<rest>.+)")


def _clause(kind: str, name: str, value: str, terms: _Terms) -> Clause:
    if name.startswith("_has:"):
        return _reversed(kind, name, value, terms)
    link, dot, rest = name.partition(".")
    if dot:
        return _chained(kind, link, rest, value, terms)
    written, _, modifier = name.partition(":")
    parameter = _parameter(kind, written, name, value)
    if modifier == "missing":
        if parameter.kind == "composite":
            raise _unknown_modifier(parameter, name, modifier, value, ())
        if value not in ("true", "false"):
            raise bad(name, value, "true or false", "true, false")
        return Clause(parameter, (), missing=value == "true")
    _require_modifier(kind, parameter, name, modifier, value)
    choices = tuple(
        choice for part in split(value, ",") for choice in _choices(kind, parameter, modifier, name, part, terms)
    )
    searched = f"{parameter.name}:{modifier}" if modifier in _WITH_ROWS else parameter.name
    return Clause(replace(parameter, name=searched), choices, negated=modifier in ("not", "not-in"))


_SHORT = 256
_known_clause = lru_cache(maxsize=1024)(_clause)
"""As `_clause`, for what is asked again and again: nothing but the words themselves decides what they mean."""


def _parameter(kind: str, written: str, name: str, value: str) -> Parameter:
    table = parameters_of(kind)
    parameter = table.get(written)
    if parameter is None:
        known = ", ".join(sorted(table))
        message = f"{kind} has no search parameter '{written}' here."
        raise _Unknown(Issue("not-supported", message, name, value, "search-parameter", f"one of {known}"))
    return parameter


def _reversed(kind: str, name: str, value: str, terms: _Terms) -> Clause:
    match = _REVERSE.fullmatch(name)
    closed = kind in (_EVENTS, *DEFINITION_TYPES)
    if match is None or closed or match["type"] not in SERVED_TYPES or match["type"] == _EVENTS:
        expected = "_has:Type:reference:parameter, as in _has:Observation:patient:code"
        raise _Unknown(Issue("not-supported", "This _has leads nowhere.", name, value, "search-parameter", expected))
    by = _parameter(match["type"], match["by"], name, value)
    if by.kind != "reference" or (by.targets and kind not in by.targets):
        message = f"The parameter '{by.name}' of {match['type']} does not point at a {kind}."
        raise _Unknown(Issue("not-supported", message, name, value, "search-parameter"))
    inner = _clause(match["type"], match["rest"], value, terms.deeper(name, value))
    return Clause(Parameter("_has", "reference"), (Reverse(Query(match["type"], (inner,)), by.name),))


def _chained(kind: str, link: str, rest: str, value: str, terms: _Terms) -> Clause:
    """A chain through a reference; one that names no type goes to all types that know what follows."""
    written, _, target = link.partition(":")
    name = f"{link}.{rest}"
    parameter = _parameter(kind, written, name, value)
    allowed = [each for each in (parameter.targets or SERVED_TYPES) if each in SERVED_TYPES and each != _EVENTS]
    if parameter.kind != "reference" or kind in (_EVENTS, *DEFINITION_TYPES) or (target and target not in allowed):
        message = f"The search parameter '{link}' of {kind} is no reference that a chain can follow."
        raise _Unknown(Issue("not-supported", message, name, value, "search-parameter", ", ".join(allowed)))
    found: list[Wanted] = []
    unknown: _Unknown | None = None
    for each in [target] if target else allowed:
        try:
            found.append(Linked(Query(each, (_clause(each, rest, value, terms.deeper(name, value)),))))
        except _Unknown as problem:
            unknown = problem
    if not found and unknown:
        raise unknown
    return Clause(parameter, tuple(found))


_MODIFIERS: dict[str, tuple[str, ...]] = {
    "token": ("not", "text", "in", "not-in", "above", "below"),
    "string": ("exact", "contains"),
    "uri": ("above", "below"),
    "reference": ("identifier",),
}
_WITH_ROWS = ("text", "of-type", "identifier")
"""Modifiers that search rows of their own in the index."""


def _require_modifier(kind: str, parameter: Parameter, name: str, modifier: str, value: str) -> None:
    if not modifier:
        return
    if parameter.kind == "reference" and modifier in (parameter.targets or resource_types()):
        return
    known = _MODIFIERS.get(parameter.kind, ())
    if parameter.name == "identifier":
        known = (*known, "of-type")
    if kind == "Observation" and parameter.name != "code":
        # Words of a reading are kept for what was measured only.
        known = tuple(each for each in known if each != "text")
    if kind == _EVENTS:
        known = tuple(each for each in known if each in ("not", "exact", "contains"))
    if modifier not in known:
        raise _unknown_modifier(parameter, name, modifier, value, known)


def _unknown_modifier(parameter: Parameter, name: str, modifier: str, value: str, known: tuple[str, ...]) -> _Unknown:
    message = f"The search parameter '{parameter.name}' has no modifier '{modifier}' here."
    typed = _targets_in_words(parameter) if parameter.kind == "reference" else ()
    return _Unknown(
        Issue("not-supported", message, name, value, "search-modifier", ", ".join(("missing", *known, *typed)))
    )


def _targets_in_words(parameter: Parameter) -> tuple[str, ...]:
    return tuple(each for each in parameter.targets if each in SERVED_TYPES) or ("a resource type, such as Patient",)


def _choices(kind: str, parameter: Parameter, modifier: str, name: str, part: str, terms: _Terms) -> Sequence[Wanted]:
    """What one alternative of a value asks for."""
    if not part:
        raise bad(name, part, "a value", EXPECTED[parameter.kind])
    if parameter.kind == "composite":
        return [_together(kind, parameter, name, part, terms)]
    if parameter.kind == "reference" and modifier != "identifier":
        found = reference(part, modifier or parameter.target, terms.base)
        if modifier and found.qualifier not in (modifier, ""):
            raise bad(name, part, f"a reference to a {modifier}", f"{modifier}/1 or 1")
        return [found]
    match parameter.kind:
        case "date":
            return [moment(name, part, terms.zone)]
        case "string":
            return [string(name, part, modifier)]
        case "number" | "quantity":
            return [amount(name, part, parameter.kind)]
    return uri(part, modifier) if parameter.kind == "uri" else _tokens(name, part, modifier)


def _tokens(name: str, part: str, modifier: str) -> Sequence[Wanted]:
    if modifier == "text":
        return [string(name, part, "")]
    if modifier == "of-type":
        return [typed_identifier(name, part)]
    if modifier in ("in", "not-in"):
        found = members(plain(part))
        if not found:
            raise bad(name, part, "a value set that is known here", "the address of one of our value sets")
        return [Choice(system, code) for system, code in sorted(found)]
    one = token(name, part)
    if modifier not in ("above", "below"):
        return [one]
    codes = related(one.qualifier or "", one.value or "", modifier)
    if codes is None:
        raise bad(name, part, "a code of a system that is known here", "system|code of one of our systems")
    return [Choice(one.qualifier, code) for code in codes]


def _together(kind: str, parameter: Parameter, name: str, part: str, terms: _Terms) -> Together:
    values = split(part, "$")
    if len(values) != len(parameter.parts):
        names = "$".join(each.name for each in parameter.parts)
        raise bad(name, part, "one value for each of its parts", names)
    clauses = (
        Clause(each, tuple(_choices(kind, each, "", name, value, terms)))
        for each, value in zip(parameter.parts, values, strict=True)
    )
    return Together(tuple(clauses))
