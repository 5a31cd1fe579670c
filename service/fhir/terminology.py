"""The code systems that follow from the declarations: nothing here is typed by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from service.domain.anatomy import PERSON, SITE_TERMS
from service.domain.cautions import CAUTIONS
from service.domain.field import COMMON
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, MeasurementKind
from service.domain.metrics import METRICS
from service.domain.terms import Term, by_code
from service.fhir import derived
from service.fhir.canonical import code_system, value_set
from service.fhir.observation import (
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
from service.fhir.vocabulary import WORD_LISTS

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

    @property
    def has_value_set(self) -> bool:
        """Whether there is a value set of all its codes, under the same name."""
        return bool(self.terms) and self.url != LOCAL_ABSENT_SYSTEM


def short_name(url: str) -> str:
    """The last part of an address."""
    return url.rpartition("/")[2]


@cache
def systems() -> dict[str, System]:
    """Every code system of ours, by address."""
    found: dict[str, System] = {}
    of_kinds = (each for kind in KINDS.values() for each in _of_kind(kind))
    for system in (*_shared(), *of_kinds, *_of_metrics()):
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
    for each in WORD_LISTS:
        terms = tuple(Term(code, words) for code, words in each.words.items())
        yield System(each.url, each.title, each.description, terms)
    yield System(
        CAUTION_SYSTEM,
        "What was asked about a reading",
        "The rule that found a reading unlikely; a person then confirmed it and gave the reason.",
        tuple(CAUTIONS.values()),
    )


def _of_metrics() -> Iterator[System]:
    """What the Observations that state results are coded with."""
    text = "Results that are computed from readings of the hand, and are no readings themselves."
    yield System(derived.METRIC_SYSTEM, "Metric", text, derived.metric_terms())
    text = "The formulas of metrics, each with its version and its published source."
    yield System(derived.FORMULA_SYSTEM, "Formula of a metric", text, derived.formula_terms())
    text = "What must agree before two results of a metric may stand side by side, and what its formula leaves open."
    yield System(derived.CONDITION_SYSTEM, "Condition of a result", text, (), content="fragment")
    text = "The category of an Observation that was computed from others, beside the categories of FHIR."
    yield System(derived.CATEGORY, "Category of Observation (own addition)", text, (Term(derived.DERIVED, "Derived"),))
    for metric in METRICS.values():
        if metric.values:
            title, text = (
                f"{metric.title}: values",
                f"The values of the metric: {metric.title[0].lower()}{metric.title[1:]}.",
            )
            yield System(derived.value_system(metric), title, text, tuple(metric.values.values()))


def code_terms(kind: MeasurementKind) -> list[Term]:
    """The codes a reading of this kind can have."""
    return [term for term, _ in kind.concepts.values()]


def panel_terms(kind: MeasurementKind) -> list[Term]:
    """The codes of the wholes that join readings of this kind."""
    return list(kind.panel_concepts.values())


def sites_of(kind: MeasurementKind) -> list[Term]:
    """The sites, with their sides, where a kind is measured."""
    sites = {site.code for site in kind.places}
    return [term for term in SITE_TERMS.values() if term.code in sites]


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
    if system.has_value_set:
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
