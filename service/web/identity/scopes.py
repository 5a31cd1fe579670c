"""SMART scopes for resources (SMART App Launch 2.2), the second version and the first.

A scope that cannot be honoured to the letter grants nothing: a filter that was passed over would grant too much.
"""

from __future__ import annotations

import re
from urllib.parse import parse_qsl

from service.domain.actor import Grant

_SCOPE = re.compile(
    r"(?P<context>patient|user|system)/(?P<type>\*|[A-Z][A-Za-z]{1,63})\."
    r"(?:(?P<rights>c?r?u?d?s?)(?:\?(?P<where>[^\s?#]+))?|(?P<first>read|write|\*))"
)
_FIRST = {"read": "rs", "write": "cud", "*": "cruds"}
_MOST = 200
"""Scopes looked at; a token with more is nobody's honest wish."""


def grants_of(scopes: str) -> tuple[Grant, ...]:
    """What a list of scopes, parted by spaces, grants on resources."""
    found = (grant_of(scope) for scope in dict.fromkeys(scopes.split()[:_MOST]))
    return tuple(grant for grant in found if grant is not None)


def grant_of(scope: str) -> Grant | None:
    """What one scope grants; None for one that is about no resource, or cannot be honoured."""
    match = _SCOPE.fullmatch(scope)
    if match is None:
        return None
    rights = _FIRST[match["first"]] if match["first"] else match["rights"]
    where: list[tuple[str, str]] = []
    if match["where"]:
        where = parse_qsl(match["where"], keep_blank_values=True)
        if match["type"] == "*" or not all(_is_plain(name) and value for name, value in where):
            return None
    if not rights or (match["where"] and not where):
        return None
    return Grant(match["context"], match["type"], frozenset(rights), tuple(where))


def _is_plain(name: str) -> bool:
    """A parameter of the type itself, without modifier or chain, and none that only shapes the answer."""
    return re.fullmatch("[a-z][a-z-]*", name) is not None
