"""A coded term: our code beside what means the same, and apart from what is merely broader, in public standards."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"


@dataclass(frozen=True, slots=True)
class Coding:
    """A code of a public code system, with the display that system gives it."""

    system: str
    code: str
    display: str


@dataclass(frozen=True, slots=True)
class Term:
    """One concept of ours.

    `same` holds codings of equal meaning; they stand beside ours in a resource. `broader` holds codings whose meaning
    includes ours; they go into the ConceptMap only, so that nobody takes the part for the whole. `properties` are
    facts about the concept that a reader may compute with.
    """

    code: str
    display: str
    definition: str = ""
    same: tuple[Coding, ...] = ()
    broader: tuple[Coding, ...] = ()
    properties: Mapping[str, str] = field(default_factory=dict)


def terms(*given: Term) -> dict[str, Term]:
    """The terms by code."""
    return by_code(given)


def by_code(given: Iterable[Term]) -> dict[str, Term]:
    """The terms by code; a code given twice is a mistake in a declaration."""
    found: dict[str, Term] = {}
    for term in given:
        if term.code in found:
            raise ValueError(f"code {term.code!r} is declared twice")
        found[term.code] = term
    return found
