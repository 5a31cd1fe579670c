"""Sets of codes that a search can name: our own value sets and code systems, and R4's required value sets."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

from service.fhir.definitions import codes
from service.fhir.terminology import code_systems
from service.fhir.value_sets import value_sets

Json = dict[str, Any]
Coding = tuple[str, str]


@cache
def members(value_set: str) -> frozenset[Coding] | None:
    """(system, code) of all in a value set; None for one that is not known here."""
    found = next((each for each in value_sets() if each["url"] == value_set), None)
    if found is not None:
        return frozenset(pair for part in found["compose"]["include"] for pair in _included(part))
    try:
        listed = codes(value_set)
    except KeyError:
        return None
    return frozenset((system, code) for system, each in (listed or {}).items() for code in each) if listed else None


def _included(part: Json) -> Iterator[Coding]:
    for address in part.get("valueSet", ()):
        yield from members(address) or ()
    concepts = part.get("concept") or _tree(part.get("system", ""))
    yield from ((part["system"], concept["code"]) for concept, _ in _walked(concepts, ()))


@cache
def _tree(system: str) -> tuple[Json, ...]:
    return tuple(next((each.get("concept", ()) for each in code_systems() if each["url"] == system), ()))


def _walked(concepts: Iterable[Json], above: tuple[str, ...]) -> Iterator[tuple[Json, tuple[str, ...]]]:
    """Every concept with the codes above it."""
    for concept in concepts:
        yield concept, above
        yield from _walked(concept.get("concept", ()), (*above, concept["code"]))


def related(system: str, code: str, way: str) -> tuple[str, ...] | None:
    """The code itself and all `above` or `below` it in one of our code systems; None where the system has no such."""
    placed = {concept["code"]: above for concept, above in _walked(_tree(system), ())}
    if code not in placed:
        return None
    if way == "above":
        return (code, *placed[code])
    return (code, *(each for each, above in placed.items() if code in above))
