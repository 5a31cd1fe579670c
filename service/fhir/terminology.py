"""The code systems, value sets and concept maps that follow from the declarations: nothing here is typed by hand."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

from service.domain.anatomy import PERSON, SITE_TERMS
from service.domain.field import COMMON, Field
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, MeasurementKind
from service.domain.terms import Term, by_code
from service.domain.units import UNITS
from service.fhir.canonical import UCUM, code_system, value_set
from service.fhir.observation import (
    ABSENT_SYSTEM,
    CAUTION_SYSTEM,
    COMPONENTS,
    CONTEXT_SYSTEM,
    LOCAL_ABSENT,
    OBSERVATION_CODE,
    SITE_SYSTEM,
    answer_system,
    field_code,
    value_system,
)
from service.fhir.published import definition
from service.fhir.text import Json

LOCAL_ABSENT_SYSTEM = code_system("absent-reason")


@dataclass(frozen=True, slots=True)
class System:
    """One code system: its address, its concepts, and whether they are all there are (`content`, as R4 names it)."""

    url: str
    title: str
    description: str
    terms: tuple[Term, ...]
    content: str = "complete"

    @property
    def name(self) -> str:
        return short_name(self.url)


def short_name(url: str) -> str:
    """The last part of an address."""
    return url.rpartition("/")[2]


@cache
def systems() -> dict[str, System]:
    """Every code system of ours, by address."""
    found: dict[str, System] = {}
    for system in (*_shared(), *(each for kind in KINDS.values() for each in _of_kind(kind))):
        if found.setdefault(system.url, system) != system:
            raise ValueError(f"code system {system.url} is declared twice, differently")
    return found


def _shared() -> Iterator[System]:
    codes = [term for kind in KINDS.values() for term in code_terms(kind)]
    codes += [term for kind in KINDS.values() for term in panel_terms(kind)]
    yield System(
        OBSERVATION_CODE,
        "What was measured",
        "What a reading of the hand measured. Whatever must not be overlooked is part of the code: which end of the "
        "arc of motion, active or passive, and whether the hand was free, in an orthosis or just out of one.",
        tuple(by_code(codes).values()),
    )
    yield System(
        SITE_SYSTEM,
        "Part of the hand, with its side",
        "A joint, digit, zone of skin or region of the left or the right hand, wrist or forearm.",
        tuple(term for term in SITE_TERMS.values() if term.code != PERSON),
    )
    yield System(
        CONTEXT_SYSTEM,
        "Context of a reading",
        "What qualifies a reading: each question about how it was taken, and what else was kept with it.",
        tuple(_context_terms()),
    )
    yield System(
        LOCAL_ABSENT_SYSTEM,
        "Reason for a missing value (own additions)",
        "Reasons why a reading has no value, beside those that FHIR's data-absent-reason already has.",
        tuple(Term(reason, ABSENT_REASONS[reason]) for reason in LOCAL_ABSENT),
    )
    yield System(
        CAUTION_SYSTEM,
        "What was asked about a reading",
        "The rule that found a reading unlikely; a person then confirmed it and gave the reason.",
        (),
        content="fragment",
    )


def code_terms(kind: MeasurementKind) -> list[Term]:
    """The codes a reading of this kind can have."""
    return [term for term, _ in kind.concepts.values()]


def panel_terms(kind: MeasurementKind) -> list[Term]:
    """The codes of the wholes that join readings of this kind."""
    return list(kind.panel_concepts.values())


def _context_terms() -> Iterator[Term]:
    titles: dict[str, str] = dict(COMPONENTS)
    for kind in KINDS.values():
        for field in kind.context_fields:
            if field.place == "component" and titles.setdefault(field_code(field), field.title) != field.title:
                raise ValueError(f"'{field.name}' has two titles")
    return (Term(code, title) for code, title in titles.items())


def _of_kind(kind: MeasurementKind) -> Iterator[System]:
    for field in kind.context_fields:
        if field.choices:
            of = "any reading" if field in COMMON else kind.title.lower()
            title = field.title if field in COMMON else f"{kind.title}: {field.title[0].lower()}{field.title[1:]}"
            text = f"The answers that {of} can have to: {field.title}."
            yield System(answer_system(kind, field), title, text, tuple(field.choices.values()))
    if kind.values:
        text = f"The values of {kind.title.lower()}. {kind.description}"
        yield System(value_system(kind), f"{kind.title}: values", text, tuple(kind.values.values()))


def code_systems() -> list[Json]:
    """Every code system, its facts about concepts as properties."""
    return [_code_system(system) for system in systems().values()]


def _code_system(system: System) -> Json:
    names = dict.fromkeys(name for term in system.terms for name in term.properties)
    content: Json = {"caseSensitive": True}
    if system.url in (url for url, *_ in _whole_sets()):
        content["valueSet"] = value_set(system.name)
    content |= {"content": system.content, "count": len(system.terms)}
    if names:
        content["property"] = [
            {"code": hyphened(name), "description": _meaning_of(name), "type": "string"} for name in names
        ]
    if system.terms:
        content["concept"] = [_concept(term) for term in system.terms]
    return definition("CodeSystem", system.name, system.title, system.description, **content)


def hyphened(name: str) -> str:
    """A name of the declarations as a code."""
    return name.replace("_", "-")


def _meaning_of(name: str) -> str:
    """What a property says, from the field of that name where it is one."""
    fields = (field for kind in KINDS.values() for field in kind.axes if field.name == name)
    field = next(fields, None)
    if field is None:
        return name.replace("_", " ").replace("-", " ").capitalize()
    return f"{field.title}; unknown where it was not recorded"


def _concept(term: Term) -> Json:
    found: Json = {"code": term.code, "display": term.display}
    if term.definition:
        found["definition"] = term.definition
    if term.properties:
        found["property"] = [{"code": hyphened(n), "valueString": v} for n, v in term.properties.items()]
    return found


@dataclass(frozen=True, slots=True)
class Choice:
    """A value set: from each code system either the listed terms, or (None) all of it."""

    name: str
    title: str
    description: str
    include: tuple[tuple[str, tuple[Term, ...] | None], ...]


def _whole_sets() -> Iterator[tuple[str, Choice]]:
    for system in systems().values():
        if system.terms and system.url != LOCAL_ABSENT_SYSTEM:
            yield system.url, Choice(system.name, system.title, system.description, ((system.url, None),))


def _choices() -> Iterator[Choice]:
    yield from (choice for _, choice in _whole_sets())
    yield Choice(
        "absent-reason",
        "Why a value is missing",
        "Why a reading, or one of its trials, has no value. Missing is not zero.",
        (
            (ABSENT_SYSTEM, tuple(Term(r, "") for r in ABSENT_REASONS if r not in LOCAL_ABSENT)),
            (LOCAL_ABSENT_SYSTEM, None),
        ),
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


def sites_of(kind: MeasurementKind) -> list[Term]:
    """The sites, with their sides, where a kind is measured."""
    sites = {site.code for site in kind.places}
    return [term for term in SITE_TERMS.values() if term.code in sites]


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
