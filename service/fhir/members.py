"""The codes in a value set: our own value sets, and those that R4 requires and lists."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache

from service.fhir.definitions import codes
from service.fhir.terminology import systems
from service.fhir.text import Json
from service.fhir.value_sets import value_sets

Coding = tuple[str, str]


@cache
def own(url: str) -> Json | None:
    """The value set of ours at this address."""
    return next((each for each in value_sets() if each["url"] == url), None)


@cache
def members(url: str) -> Mapping[Coding, str] | None:
    """(system, code) to display, empty where it is not known, of all in a value set; None for one not known here.

    Empty for a value set that R4 requires, but whose codes it does not list.
    """
    found = own(url)
    if found is not None:
        return dict(pair for part in found["compose"]["include"] for pair in _included(part))
    try:
        listed = codes(url) or {}
    except KeyError:
        return None
    return {(system, code): "" for system, each in listed.items() for code in sorted(each)}


def _included(part: Json) -> Iterator[tuple[Coding, str]]:
    system = str(part["system"])
    displays = {term.code: term.display for term in systems()[system].terms} if system in systems() else {}
    stated = {str(each["code"]): str(each.get("display", "")) for each in part.get("concept", ())}
    for code, display in (stated or displays).items():
        yield (system, code), display or displays.get(code, "")
