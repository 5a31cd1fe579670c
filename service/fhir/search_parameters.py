"""Which search parameters exist, how their values parse, what of a resource each finds.

Everything here is pure: text in, a `Query` out; a resource in, its `Index` out. What SQL becomes of them is the
storage layer's business.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import tzinfo

from service.errors import Invalid, Issue
from service.fhir.search_dates import Interval, interval
from service.fhir.search_index import Index, ObservationRow, Row, index
from service.fhir.search_paths import LONGEST, fold, split_reference
from service.fhir.search_query import LARGEST_PAGE, PAGE, Choice, Clause, Moment, Query, Text
from service.fhir.search_table import Parameter, parameters_of

__all__ = [
    "LARGEST_PAGE", "PAGE", "PREFIXES", "Choice", "Clause", "Index", "Interval", "Moment", "ObservationRow",
    "Parameter", "Query", "Row", "Text", "index", "parameters_of", "parse", "sortable",
]  # fmt: skip

PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap")


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
    results = _Results(resource_type)
    used, ignored = [], []
    for name, value in pairs:
        if name in RESULT_PARAMETERS:
            results.take(name, value)
            used.append((name, value))
            continue
        try:
            clauses.append(_clause(resource_type, name, value, zone, base))
        except _Unknown as unknown:
            if not lenient:
                raise Invalid(*unknown.issues) from None
            ignored.append((name, value))
            continue
        used.append((name, value))
    return Query(
        resource_type, tuple(clauses), results.sort, results.descending, results.count, results.total,
        results.cursor, tuple(pair for pair in used if pair[0] not in NOT_OF_THE_SEARCH), tuple(ignored),
    )  # fmt: skip


class _Unknown(Invalid):
    """A parameter or modifier that this server does not know; a lenient search leaves it out."""


NOT_OF_THE_SEARCH = frozenset({"_format", "_pretty", "_cursor"})
"""Taken, but no part of what a link to the search says."""
RESULT_PARAMETERS = frozenset({"_count", "_sort", "_total", "_summary", "_cursor", "_format", "_pretty"})


class _Results:
    """The parameters that say how the matches come, not which they are."""

    def __init__(self, resource_type: str) -> None:
        self.type = resource_type
        self.sort, self.descending = "", False
        self.count, self.total, self.cursor = PAGE, False, ""

    def take(self, name: str, value: str) -> None:
        match name:
            case "_count":
                self.count = self._count(value)
            case "_sort":
                self._sort(value)
            case "_total":
                self.total = self._one_of(name, value, ("none", "estimate", "accurate")) != "none"
            case "_summary":
                if self._one_of(name, value, ("false", "count")) == "count":
                    self.count = 0
            case "_cursor":
                self.cursor = value

    def _count(self, value: str) -> int:
        if not re.fullmatch(r"[0-9]{1,9}", value):
            raise _bad("_count", value, "a whole number of matches a page", f"0 to {LARGEST_PAGE}")
        return min(int(value), LARGEST_PAGE)

    def _sort(self, value: str) -> None:
        known = sortable(self.type)
        self.descending = value.startswith("-")
        self.sort = value.removeprefix("-")
        if self.sort not in known:
            raise _bad("_sort", value, "one parameter that orders, with - before it for newest first", ", ".join(known))

    @staticmethod
    def _one_of(name: str, value: str, known: tuple[str, ...]) -> str:
        if value not in known:
            raise _bad(name, value, "one of the values known here", ", ".join(known))
        return value


def sortable(resource_type: str) -> tuple[str, ...]:
    """The names that `_sort` takes for a type: its date parameters, `_id` and `_lastUpdated`."""
    table = parameters_of(resource_type)
    return tuple(name for name, one in table.items() if one.kind == "date" or name == "_id")


def _bad(name: str, value: str, needs: str, expected: str) -> Invalid:
    message = f"The search parameter '{name}' needs {needs}."
    return Invalid(Issue("invalid", message, where=name, value=value, rule="search-value", expected=expected))


def _clause(resource_type: str, name: str, value: str, zone: tzinfo | None, base: str) -> Clause:
    plain, _, modifier = name.partition(":")
    table = parameters_of(resource_type)
    parameter = table.get(plain)
    if parameter is None:
        known = ", ".join(sorted(table))
        message = f"{resource_type} has no search parameter '{plain}' here."
        raise _Unknown(Issue("not-supported", message, name, value, "search-parameter", f"one of {known}"))
    if modifier == "missing":
        if value not in ("true", "false"):
            raise _bad(name, value, "true or false", "true, false")
        return Clause(parameter, (), missing=value == "true")
    _require_modifier(parameter, name, modifier, value)
    read = _reader(parameter, modifier, zone, base)
    choices = tuple(read(name, part) for part in _split(value, ","))
    return Clause(parameter, choices, negated=modifier == "not")


_MODIFIERS = {"token": ("not",), "string": ("exact", "contains"), "uri": (), "date": ()}


def _require_modifier(parameter: Parameter, name: str, modifier: str, value: str) -> None:
    if not modifier:
        return
    if parameter.kind == "reference":
        if re.fullmatch(r"[A-Z][A-Za-z]+", modifier):
            return
        known: tuple[str, ...] = ("missing", "a resource type, such as Patient")
    else:
        known = ("missing", *_MODIFIERS[parameter.kind])
    if modifier not in known:
        message = f"The search parameter '{parameter.name}' has no modifier '{modifier}' here."
        raise _Unknown(Issue("not-supported", message, name, value, "search-modifier", ", ".join(known)))


def _reader(
    parameter: Parameter, modifier: str, zone: tzinfo | None, base: str
) -> Callable[[str, str], Choice | Text | Moment]:
    """What turns one alternative of a value into a choice, for a parameter of this kind."""

    def read(name: str, part: str) -> Choice | Text | Moment:
        if not part:
            raise _bad(name, part, "a value", _EXPECTED[parameter.kind])
        match parameter.kind:
            case "date":
                return _moment(name, part, zone)
            case "token":
                return _token(name, part)
            case "reference":
                return _reference(part, modifier or parameter.target, base)
            case "string":
                return Text(_plain(part), "exact") if modifier == "exact" else _text(part, modifier)
        return Choice(None, _plain(part)[:LONGEST])

    return read


_EXPECTED = {
    "date": "a date such as ge2026-03-01",
    "token": "code, system|code, |code or system|",
    "reference": "Patient/1, 1 or an absolute address",
    "string": "the beginning of a text",
    "uri": "an absolute address",
}


def _split(value: str, separator: str) -> list[str]:
    r"""The parts of a value; a separator after a backslash is part of the text (still escaped here)."""
    return re.split(rf"(?<!\\){re.escape(separator)}", value)


def _plain(part: str) -> str:
    return re.sub(r"\\([,|$\\])", r"\1", part)


def _token(name: str, part: str) -> Choice:
    pieces = [_plain(piece) for piece in _split(part, "|")]
    if len(pieces) > 2 or pieces == ["", ""]:
        raise _bad(name, part, "at most one system and one code", _EXPECTED["token"])
    if len(pieces) == 1:
        return Choice(None, pieces[0][:LONGEST])
    system, code = pieces
    return Choice(system, code[:LONGEST] or None)


def _reference(part: str, target: str, base: str) -> Choice:
    text = _plain(part)
    if base and text.startswith(f"{base.rstrip('/')}/"):
        text = text[len(base.rstrip("/")) + 1 :]
    kind, ident = split_reference(text)
    if kind:
        return Choice(kind, ident)
    if re.fullmatch(r"[A-Za-z0-9\-.]{1,64}", text):
        return Choice(target or None, text)
    return Choice("", text)


def _text(part: str, modifier: str) -> Text:
    return Text(fold(_plain(part)), "contains" if modifier == "contains" else "starts")


def _moment(name: str, part: str, zone: tzinfo | None) -> Moment:
    prefix, rest = (part[:2], part[2:]) if part[:2].isalpha() else ("eq", part)
    if prefix not in PREFIXES:
        raise _bad(name, part, "a known prefix before the date", ", ".join(PREFIXES))
    try:
        # A plus sign that nobody escaped arrives as a space.
        return Moment(prefix, interval(re.sub(r" (?=[0-9]{2}:[0-9]{2}$)", "+", rest), zone))
    except ValueError as problem:
        message = f"The search parameter '{name}' needs a date; this one {problem}."
        expected = _EXPECTED["date"]
        raise Invalid(Issue("invalid", message, name, part, "search-value", expected)) from None
