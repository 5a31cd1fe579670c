"""A result of a metric as an Observation of category `derived`: what it is made of, by whose formula, with what error.

A derived Observation claims no profile of a reading and is never taken for one. Its id follows from what it is the
result of, so that deriving again makes the next version of the same resource, or none where nothing changed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from hashlib import sha256

from service.domain.anatomy import PERSON
from service.domain.error import NOT_PUBLISHED, PublishedError
from service.domain.measurement import Coded, Quantity
from service.domain.metric import Metric, Missing, Result, Source
from service.domain.metrics import METRICS
from service.domain.terms import Term
from service.fhir.canonical import code_system
from service.fhir.observation import SITE_SYSTEM, absent, concept, quantity, when_text
from service.fhir.provenance import AGENT_SYSTEM
from service.fhir.text import Json

CATEGORY = code_system("observation-category")
METRIC_SYSTEM = code_system("metric")
FORMULA_SYSTEM = code_system("metric-formula")
CONDITION_SYSTEM = code_system("metric-condition")
DERIVED = "derived"
RETIRED = "entered-in-error"
SIGNED = ("final", "amended", "corrected")
"""The statuses of an Observation that somebody has signed."""
_TOLD = ("mode", "motion", "handle_position", "pinch", "domain")
"""Conditions that tell two parts at one site apart."""


def is_derived(resource: Json) -> bool:
    """Whether it is a result that was computed from readings, and no reading."""
    codings = (c for category in resource.get("category") or [] for c in category.get("coding") or [])
    return any((c.get("system"), c.get("code")) == (CATEGORY, DERIVED) for c in codings)


def all_derived(results: Iterable[Result]) -> list[Json]:
    """The Observations that state these results of one patient, in order; what has no value is left out."""
    places: Counter[tuple[object, ...]] = Counter()
    made: list[Json] = []
    for result in results:
        if not result.is_missing:
            made.append(to_derived(result, places[_key(result)]))
        places[_key(result)] += 1
    return made


def to_derived(result: Result, place: int = 0) -> Json:
    """The Observation that states a result. Its inputs must have been stored: they are referred to by version."""
    metric = METRICS[result.metric]
    first = min(result.inputs, key=lambda m: m.circumstances.taken)
    unsigned = any(m.circumstances.status == "preliminary" for m in result.inputs)
    made: Json = {
        "resourceType": "Observation",
        "id": id_of(result, place),
        "status": "preliminary" if unsigned else "final",
        "category": [{"coding": [{"system": CATEGORY, "code": DERIVED, "display": "Derived"}]}],
        "code": concept(METRIC_SYSTEM, Term(metric.name, metric.title)),
        "subject": {"reference": first.circumstances.subject},
    }
    if result.visit.startswith("Encounter/"):
        made["encounter"] = {"reference": result.visit}
    at = next((m for m in result.inputs if m.circumstances.taken == result.taken), first)
    made |= {"effectiveDateTime": when_text(at.circumstances), **_value(result)}
    made["note"] = [{"text": text} for text in _notes(result)]
    if result.site.key != PERSON:
        made["bodySite"] = concept(SITE_SYSTEM, result.site.term)
    made |= {"method": _method(result), "derivedFrom": list(_inputs(result))}
    component = [*_conditions(result), *_parts(result)]
    return {**made, "component": component} if component else made


def _key(result: Result) -> tuple[object, ...]:
    return result.metric, result.site.code, result.visit, *sorted(result.conditions.items())


def id_of(result: Result, place: int) -> str:
    """The id of a result, the same whenever it is derived; `place` counts what is alike in all that is named."""
    subject = result.inputs[0].circumstances.subject
    return f"derived-{sha256(repr((subject, *_key(result), place)).encode()).hexdigest()[:40]}"


def retired(resource: Json, reason: str) -> Json:
    """A derived Observation that its inputs no longer give, marked as such with the reason."""
    return {**resource, "status": RETIRED, "note": [*(resource.get("note") or []), {"text": reason}]}


def restated(made: Json, before: Json) -> Json:
    """A result as computed now, with the status that follows from what was stored of it before.

    What was final and says something else now is `corrected`; other versions of the same inputs change no status.
    """
    if made["status"] != "final" or before.get("status") not in SIGNED:
        return made
    unchanged = _without_versions(made) == _without_versions(before)
    return {**made, "status": before["status"] if unchanged else "corrected"}


def _without_versions(resource: Json) -> Json:
    inputs = [str(each.get("reference", "")).partition("/_history/")[0] for each in resource.get("derivedFrom") or ()]
    return {**{k: v for k, v in resource.items() if k not in ("meta", "status")}, "derivedFrom": inputs}


def provenance_of(targets: Iterable[str], recorded: datetime, name: str) -> Json:
    """Who had these results computed, and when; what each rests on stands in its own `derivedFrom`."""
    kind = {"coding": [{"system": AGENT_SYSTEM, "code": "assembler", "display": "Assembler"}]}
    return {
        "resourceType": "Provenance",
        "target": [{"reference": target} for target in targets],
        "recorded": recorded.isoformat(),
        "activity": {"text": "results computed from readings by the formulas named in them"},
        "agent": [{"type": kind, "who": {"display": name}}],
    }


def _value(result: Result) -> Json:
    if isinstance(result.value, Quantity):
        return {"valueQuantity": quantity(result.value)}
    if isinstance(result.value, Coded):
        metric = METRICS[result.metric]
        return {"valueCodeableConcept": concept(value_system(metric), metric.values[result.value.code])}
    return {"dataAbsentReason": {**absent("unknown"), "text": result.value.reason}}


def value_system(metric: Metric) -> str:
    """The code system of a metric's coded values."""
    return code_system(f"{metric.name}-value")


def metric_terms() -> tuple[Term, ...]:
    """Every metric, as a coded term."""
    return tuple(Term(m.name, m.title) for m in METRICS.values())


def formula_terms() -> tuple[Term, ...]:
    """Every formula with its version, in words and with its source."""
    return tuple(
        Term(f"{m.name}-{m.version}", f"{m.title}, formula", definition=f"{m.formula} {_source(m.source)}")
        for m in METRICS.values()
    )


def _source(source: Source) -> str:
    return f"Source: {source.text} ({source.status})."


def _method(result: Result) -> Json:
    metric = METRICS[result.metric]
    coding = {
        "system": FORMULA_SYSTEM,
        "code": f"{metric.name}-{result.version}",
        "display": f"{metric.title}, formula",
    }
    return {"coding": [coding], "text": f"{metric.formula} {_source(result.source)}"}


def _inputs(result: Result) -> Iterator[Json]:
    seen = {m.circumstances.id: m.circumstances.version for m in result.inputs if m.circumstances.id}
    for ident, version in seen.items():
        yield {"reference": f"Observation/{ident}/_history/{version}" if version else f"Observation/{ident}"}


def _notes(result: Result) -> Iterator[str]:
    yield from result.notes
    yield from (error_in_words(error) for error in result.errors)
    if not result.errors:
        yield f"measurement error: {NOT_PUBLISHED}"


def error_in_words(error: PublishedError) -> str:
    """A published error with all it holds for, in one line."""
    amount = f"{error.low}" if error.low == error.high else f"{error.low} to {error.high}"
    level = f" ({error.level})" if error.level else ""
    held = f"{error.population}; {error.raters}; {error.method}"
    return f"measurement error: {error.statistic} {amount} {error.unit}{level}; {held}; {error.source} ({error.status})"


def _conditions(result: Result) -> Iterator[Json]:
    for name, answer in stated(result).items():
        code = name.replace("_", "-")
        coding = {"system": CONDITION_SYSTEM, "code": code, "display": name.replace("_", " ").capitalize()}
        yield {"code": {"coding": [coding]}, "valueString": answer}


def stated(result: Result) -> Mapping[str, str]:
    """Conditions and parameters of a result by name, those that are empty left out."""
    return {name: answer for name, answer in {**result.parameters, **result.conditions}.items() if answer}


def _parts(result: Result) -> Iterator[Json]:
    """Every result it is made of, however deep: a composite never stands without its joints."""
    for part in {_key(part): part for below in result.parts for part in _all(below)}.values():
        title = METRICS[part.metric].title
        what = {"coding": [{"system": METRIC_SYSTEM, "code": part.metric, "display": title}]}
        value = {"dataAbsentReason": absent("unknown")} if isinstance(part.value, Missing) else _value(part)
        yield {"code": {**what, "text": f"{title}, {_where(part)}"}, **value}


def _where(part: Result) -> str:
    told = [part.site.name] if part.site.key != PERSON else []
    told += [f"{name.replace('_', ' ')} {part.conditions[name]}" for name in _TOLD if part.conditions.get(name)]
    return ", ".join([*told, part.taken.date().isoformat()])


def _all(result: Result) -> Iterator[Result]:
    yield result
    for part in result.parts:
        yield from _all(part)
