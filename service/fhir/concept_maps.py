"""What public code systems say of our concepts: the same, or something wider."""

from __future__ import annotations

from collections.abc import Iterable

from service.domain.terms import Term
from service.fhir.canonical import value_set
from service.fhir.published import definition
from service.fhir.terminology import System, systems
from service.fhir.text import Json


def concept_maps() -> list[Json]:
    """For each of our code systems, what public code systems say of its concepts."""
    maps = (_concept_map(system) for system in systems().values())
    return [each for each in maps if each]


def _concept_map(system: System) -> Json:
    public = dict.fromkeys(coding.system for term in system.terms for coding in (*term.same, *term.broader))
    if not public:
        return {}
    text = (
        f"Codes of public systems for: {system.title}. Equivalent codes mean the same and stand beside ours in a "
        "resource; wider codes include ours among other things, and stand here only, so that nobody takes the part "
        "for the whole."
    )
    group = [_group(system, target) for target in public]
    return definition(
        "ConceptMap", system.name, f"{system.title}: public codes", text,
        sourceCanonical=value_set(system.name), group=group,
    )  # fmt: skip


def _group(system: System, target: str) -> Json:
    elements = (
        {"code": term.code, "display": term.display, "target": list(_targets(term, target))} for term in system.terms
    )
    return {"source": system.url, "target": target, "element": [each for each in elements if each["target"]]}


def _targets(term: Term, system: str) -> Iterable[Json]:
    # R4's `equal` would claim the same definition in the same words; ours are our own, and mean the same.
    for codings, equivalence in ((term.same, "equivalent"), (term.broader, "wider")):
        for coding in codings:
            if coding.system == system:
                yield {"code": coding.code, "display": coding.display, "equivalence": equivalence}
