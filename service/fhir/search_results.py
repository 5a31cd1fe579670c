"""The parameters that say how the matches of a search come, not which they are."""

from __future__ import annotations

import re

from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_query import LARGEST_PAGE, PAGE, Include
from service.fhir.search_table import in_components, parameters_of
from service.fhir.search_values import bad
from service.fhir.subset import SUMMARIES

NOT_OF_THE_SEARCH = frozenset({"_format", "_pretty", "_cursor"})
"""Taken, but no part of what a link to the search says."""
RESULT_PARAMETERS = frozenset({
    "_count", "_sort", "_total", "_summary", "_cursor", "_format", "_pretty", "_include", "_revinclude",
})  # fmt: skip
_LONGEST_SORT = 4


class Results:
    """What the result parameters of one search came to."""

    def __init__(self, resource_type: str) -> None:
        self.type = resource_type
        self.sort, self.descending = "", False
        self.then: tuple[tuple[str, bool], ...] = ()
        self.total, self.cursor = False, ""
        self._size, self._counting = PAGE, False
        self.includes: list[Include] = []

    def take(self, name: str, value: str) -> None:
        """One of `RESULT_PARAMETERS`. Raises `Invalid` for a bad value."""
        match name.partition(":")[0]:
            case "_count":
                self._size = self._count(value)
            case "_sort":
                self._sort(value)
            case "_total":
                self.total = self._one_of(name, value, ("none", "estimate", "accurate")) != "none"
            case "_summary":
                if value not in ("false", "count"):  # what of each resource is wanted was taken before
                    raise bad(name, value, "one of the values known here", ", ".join((*SUMMARIES, "count", "false")))
                self._counting = value == "count"
            case "_cursor":
                self.cursor = value
            case "_include" | "_revinclude":
                self.includes.append(_include(self.type, name, value))

    @property
    def count(self) -> int:
        """Matches a page; none where only their number is wanted, whatever page was named beside it."""
        return 0 if self._counting else self._size

    def _count(self, value: str) -> int:
        if not re.fullmatch(r"[0-9]{1,9}", value):
            raise bad("_count", value, "a whole number of matches a page", f"0 to {LARGEST_PAGE}")
        return min(int(value), LARGEST_PAGE)

    def _sort(self, value: str) -> None:
        known = sortable(self.type)
        keys = [(each.removeprefix("-"), each.startswith("-")) for each in value.split(",")]
        if self.sort:  # named again: further keys
            keys = [(self.sort, self.descending), *self.then, *keys]
        most = 1 if self.type == "AuditEvent" else _LONGEST_SORT
        if len(keys) > most or any(name not in known for name, _ in keys):
            needs = f"up to {most} parameters that order, with - before one for the latest or last first"
            raise bad("_sort", value, needs, ", ".join(known))
        (self.sort, self.descending), *then = keys
        self.then = tuple(then)

    @staticmethod
    def _one_of(name: str, value: str, known: tuple[str, ...]) -> str:
        if value not in known:
            raise bad(name, value, "one of the values known here", ", ".join(known))
        return value


def sortable(resource_type: str) -> tuple[str, ...]:
    """The names that `_sort` takes for a type; what joins several parts has no order."""
    table = parameters_of(resource_type)
    if resource_type == "AuditEvent":
        return tuple(name for name, one in table.items() if one.kind == "date")
    return tuple(name for name, one in table.items() if one.kind != "composite" and not in_components(name))


def _include(kind: str, name: str, value: str) -> Include:
    word, _, modifier = name.partition(":")
    reverse = word == "_revinclude"
    if modifier not in ("", "iterate"):
        raise bad(name, value, "no modifier but :iterate", f"{word}:iterate")
    if value == "*" and not reverse and kind in SERVED_TYPES and kind != "AuditEvent":
        return Include(kind, "", iterate=bool(modifier))
    source, by, target = [*value.split(":"), ""][:3] if value.count(":") in (1, 2) else ("", "", "")
    parameter = parameters_of(source).get(by)
    is_reference = parameter is not None and parameter.kind == "reference"
    served = {source, kind, target or kind} <= set(SERVED_TYPES) - {"AuditEvent"}
    leads = reverse or bool(modifier) or source == kind
    if not served or not leads or not (is_reference or (by == "*" and not reverse)):
        raise bad(name, value, "a type and one of its references", "Type:reference or Type:reference:Target")
    return Include(source, "" if by == "*" else by, target, reverse, bool(modifier))


def includes_of(resource_type: str) -> tuple[str, ...]:
    """What `_include` takes for a type, as in `Observation:subject`."""
    if resource_type == "AuditEvent":
        return ()
    table = parameters_of(resource_type).items()
    return tuple(f"{resource_type}:{name}" for name, one in table if one.kind == "reference")


def reverse_includes_of(resource_type: str) -> tuple[str, ...]:
    """What `_revinclude` takes for a type: the references of all types that can point at it."""
    if resource_type == "AuditEvent":
        return ()
    return tuple(
        f"{source}:{name}"
        for source in SERVED_TYPES
        if source != "AuditEvent"
        for name, one in parameters_of(source).items()
        if one.kind == "reference" and (not one.targets or resource_type in one.targets)
    )
