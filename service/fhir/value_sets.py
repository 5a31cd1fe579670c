"""The value sets that the profiles bind to, and one for each whole code system."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from service.domain.anatomy import PERSON
from service.domain.field import Field
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, MeasurementKind
from service.domain.terms import Term, by_code
from service.domain.units import UNITS
from service.fhir.canonical import UCUM
from service.fhir.derived import METRIC_SYSTEM
from service.fhir.observation import ABSENT_SYSTEM, LOCAL_ABSENT, OBSERVATION_CODE, SITE_SYSTEM, value_system
from service.fhir.published import definition
from service.fhir.terminology import LOCAL_ABSENT_SYSTEM, code_terms, hyphened, panel_terms, sites_of, systems
from service.fhir.text import Json


@dataclass(frozen=True, slots=True)
class Choice:
    """A value set: from each code system either the listed terms, or (None) all of it."""

    name: str
    title: str
    description: str
    include: tuple[tuple[str, tuple[Term, ...] | None], ...]


def _choices() -> Iterator[Choice]:
    for system in systems().values():
        if system.has_value_set:
            yield Choice(system.name, system.title, system.description, ((system.url, None),))
    yield Choice(
        "absent-reason",
        "Why a value is missing",
        "Why a reading, or one of its trials, has no value. Missing is not zero.",
        (
            (ABSENT_SYSTEM, tuple(Term(r, "") for r in ABSENT_REASONS if r not in LOCAL_ABSENT)),
            (LOCAL_ABSENT_SYSTEM, None),
        ),
    )
    yield Choice(
        "goal-measure",
        "What a goal is measured by",
        "What is read, or what is computed from readings, on the way to a goal.",
        ((OBSERVATION_CODE, None), (METRIC_SYSTEM, None)),
    )
    for kind in KINDS.values():
        yield from _choices_of(kind)
    yield from _choices_of_panels([kind for kind in KINDS.values() if kind.panels])


def _choices_of(kind: MeasurementKind) -> Iterator[Choice]:
    named = kind.title.lower()
    codes = tuple(code_terms(kind))
    yield Choice(f"{kind.name}-code", f"Codes of {named}", kind.description, ((OBSERVATION_CODE, codes),))
    if kind.sites != (PERSON,):
        text = f"The parts of the left and the right side where {named} is measured."
        yield Choice(f"{kind.name}-site", f"Sites of {named}", text, ((SITE_SYSTEM, tuple(sites_of(kind))),))
    if kind.units:
        text = f"The UCUM units in which {named} is given. Force is not mass."
        yield Choice(f"{kind.name}-unit", f"Units of {named}", text, ((UCUM, _units(kind.units)),))
    if kind.units and kind.values:
        text = f"What {named} can have as its value: an amount in one of these UCUM units, or one of these codes."
        both = ((value_system(kind), None), (UCUM, _units(kind.units)))
        yield Choice(f"{kind.name}-value-or-unit", f"Values and units of {named}", text, both)
    for field in kind.context_fields:
        if field.units:
            title = f"Units of {named}: {field.title[0].lower()}{field.title[1:]}"
            text = f"The UCUM units in which {named} states: {field.title}."
            yield Choice(unit_set(kind, field), title, text, ((UCUM, _units(field.units)),))


def unit_set(kind: MeasurementKind, field: Field) -> str:
    """The name of the value set with the units of a field."""
    return f"{kind.name}-{hyphened(field.name)}-unit"


def _units(codes: Iterable[str]) -> tuple[Term, ...]:
    return tuple(Term(code, UNITS[code].name) for code in codes)


def _choices_of_panels(kinds: list[MeasurementKind]) -> Iterator[Choice]:
    codes = tuple(term for kind in kinds for term in panel_terms(kind))
    text = "Whole arcs of motion, of which each end is a reading of its own."
    yield Choice("arc-panel-code", "Codes of arcs", text, ((OBSERVATION_CODE, codes),))
    sites = tuple(by_code(term for kind in kinds for term in sites_of(kind)).values())
    text = "The parts of the left and the right side that move through an arc."
    yield Choice("arc-panel-site", "Sites of arcs", text, ((SITE_SYSTEM, sites),))


def value_sets() -> list[Json]:
    """Every value set that a profile binds to, and one for each whole code system."""
    return [_value_set(choice) for choice in _choices()]


def _value_set(choice: Choice) -> Json:
    include = [
        {"system": system} if terms is None else {"system": system, "concept": [_listed(term) for term in terms]}
        for system, terms in choice.include
    ]
    compose = {"include": include}
    return definition("ValueSet", choice.name, choice.title, choice.description, compose=compose)


def _listed(term: Term) -> Json:
    return {"code": term.code, "display": term.display} if term.display else {"code": term.code}
