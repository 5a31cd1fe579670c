"""The codes above and below a code, where one of our code systems has an order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

from service.fhir.terminology import code_systems

Json = dict[str, Any]


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
