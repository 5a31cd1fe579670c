"""A reading as an Observation, and back: one rule for every kind, and exact in both directions.

Meaning stands in `code`: whatever a client must not overlook (which end of the arc, active or passive, in the orthosis
or out of it) is part of the local code. Everything else that qualifies a reading is a component; what was not
recorded is a component too, with the reason `unknown`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

from service.domain.anatomy import PERSON, Site
from service.domain.field import COMMON, UNKNOWN, Field, amount_of
from service.domain.kinds import KINDS
from service.domain.measurement import Absent, Circumstances, Coded, Measurement, MeasurementKind, Quantity, Value
from service.domain.reading import Reading
from service.domain.terms import Term
from service.domain.units import UNITS
from service.fhir.canonical import UCUM, code_system, profile
from service.fhir.text import Json

ABSENT_SYSTEM = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
LOCAL_ABSENT = ("stopped-for-pain",)
CATEGORY_SYSTEM = "http://terminology.hl7.org/CodeSystem/observation-category"
OBSERVATION_CODE = code_system("observation-code")
SITE_SYSTEM = code_system("body-site")
CONTEXT_SYSTEM = code_system("reading-context")
CAUTION_SYSTEM = code_system("caution")
ORTHOSIS_WORN = profile("orthosis-worn")
PANEL_PROFILE = profile("arc-panel")

TRIAL, CAUTION, ENTERED = "trial", "caution", "as-entered"
COMPONENTS = {
    TRIAL: "One attempt, in order",
    CAUTION: "An unlikely value that was confirmed, and why",
    ENTERED: "The text as it was entered",
}
"""The components that every kind may carry beside its own fields, by code."""


def profile_of(kind: MeasurementKind) -> str:
    """The profile that a reading of this kind claims. A later version of a declaration has a profile of its own."""
    return profile(kind.name if kind.version == 1 else f"{kind.name}-v{kind.version}")


def answer_system(kind: MeasurementKind, field: Field) -> str:
    """The code system of a field's answers: shared where all kinds share the field, else the kind's own."""
    name = field.name.replace("_", "-")
    return code_system(name if field in COMMON else f"{kind.name}-{name}")


def value_system(kind: MeasurementKind) -> str:
    """The code system of a kind's coded values."""
    return code_system(f"{kind.name}-value")


def field_code(field: Field) -> str:
    """The code of a field's component."""
    return field.name.replace("_", "-")


def to_observation(measurement: Measurement) -> Json:
    """The Observation that states this reading."""
    kind = KINDS[measurement.kind]
    return {
        **_head(measurement.circumstances, profile_of(kind)),
        "code": concept(OBSERVATION_CODE, _term(kind, measurement)),
        **_around(measurement.circumstances),
        **_value(kind, measurement.value),
        **_notes(measurement.circumstances),
        **_site(measurement.site),
        **_method(kind, measurement),
        "component": [*_context(kind, measurement), *_attempts(measurement)],
    }


def _term(kind: MeasurementKind, measurement: Measurement) -> Term:
    """What was measured; what means the same in public standards stands beside it for an ordinary reading only."""
    term, _ = kind.concepts[kind.code(measurement.axes)]
    return term if kind.ordinary(measurement) else replace(term, same=())


def to_panel(reading: Reading, circumstances: Circumstances, members: Iterable[str]) -> Json:
    """The Observation that joins the measurements of one entry, and keeps the text as it was entered."""
    first = reading.measurements[0]
    kind = KINDS[first.kind]
    order = (reading.panel_axes or {})[kind.axes[0].name]
    entered = reading.entry.text or f"{order} {reading.entry.value}"
    convention = next(f for f in kind.context_fields if f.name == "convention")
    return {
        **_head(circumstances, PANEL_PROFILE),
        "code": concept(OBSERVATION_CODE, kind.panel_concepts[reading.panel]),
        **_around(circumstances),
        **_site(first.site),
        "hasMember": [{"reference": reference} for reference in members],
        "component": [
            _component(ENTERED, COMPONENTS[ENTERED], {"valueString": entered}),
            _component(field_code(convention), convention.title, _answer(kind, convention, first.answer("convention"))),
        ],
    }


def _head(around: Circumstances, claimed: str) -> Json:
    head: Json = {"resourceType": "Observation"}
    if around.id:
        head["id"] = around.id
    head["meta"] = {"profile": [claimed]}
    if around.device_use:
        head["extension"] = [{"url": ORTHOSIS_WORN, "valueReference": {"reference": around.device_use}}]
    if around.source:
        head["identifier"] = [{"system": around.source[0], "value": around.source[1]}]
    head["status"] = around.status
    head["category"] = [{"coding": [{"system": CATEGORY_SYSTEM, "code": "exam", "display": "Exam"}]}]
    return head


def _around(around: Circumstances) -> Json:
    found: Json = {"subject": {"reference": around.subject}}
    if around.encounter:
        found["encounter"] = {"reference": around.encounter}
    found["effectiveDateTime"] = when_text(around)
    performer = {"reference": around.performer, "display": around.performer_name}
    stated = {name: text for name, text in performer.items() if text}
    nobody = {"extension": [{"url": ABSENT_EXTENSION, "valueCode": UNKNOWN}]}
    found["performer"] = [stated or nobody]
    return found


def when_text(around: Circumstances) -> str:
    """The time as FHIR text: with its offset, or the day alone where only that is known."""
    return around.taken.date().isoformat() if around.day_only else around.taken.isoformat()


def when_of(text: str) -> tuple[datetime, bool]:
    """The time and whether only its day is known; the inverse of `when_text`."""
    if len(text) == len("2026-01-31"):
        return datetime.fromisoformat(text).replace(tzinfo=UTC), True
    return datetime.fromisoformat(text), False


def concept(system: str, term: Term) -> Json:
    """A CodeableConcept: our code first, then the codings that mean the same."""
    codings = [{"system": system, "code": term.code, "display": term.display}]
    codings += [{"system": c.system, "code": c.code, "display": c.display} for c in term.same]
    return {"coding": codings, "text": term.display}


def quantity(value: Quantity) -> Json:
    """A FHIR Quantity with its UCUM code."""
    found: Json = {"value": value.number}
    if value.comparator:
        found["comparator"] = value.comparator
    return {**found, "unit": UNITS[value.unit].name, "system": UCUM, "code": value.unit}


def absent(reason: str) -> Json:
    """A dataAbsentReason: FHIR's own code, or ours where FHIR has none."""
    system = code_system("absent-reason") if reason in LOCAL_ABSENT else ABSENT_SYSTEM
    return {"coding": [{"system": system, "code": reason}]}


def _value(kind: MeasurementKind, value: Value) -> Json:
    if isinstance(value, Quantity):
        return {"valueQuantity": quantity(value)}
    if isinstance(value, Coded):
        return {"valueCodeableConcept": concept(value_system(kind), kind.values[value.code])}
    return {"dataAbsentReason": absent(value.reason)}


def _notes(around: Circumstances) -> Json:
    return {"note": [{"text": around.note}]} if around.note else {}


def _site(where: Site) -> Json:
    return {} if where.key == PERSON else {"bodySite": concept(SITE_SYSTEM, where.term)}


def _method(kind: MeasurementKind, measurement: Measurement) -> Json:
    field = next((f for f in kind.fields if f.place == "method"), None)
    answer = measurement.answer(field.name) if field else UNKNOWN
    if field is None:
        return {}
    if answer == UNKNOWN:
        return {"method": {"extension": [{"url": ABSENT_EXTENSION, "valueCode": UNKNOWN}]}}
    return {"method": concept(answer_system(kind, field), field.choices[answer])}


def _context(kind: MeasurementKind, measurement: Measurement) -> Iterator[Json]:
    for field in kind.context_fields:
        if field.place == "component":
            yield _component(field_code(field), field.title, _answer(kind, field, measurement.answer(field.name)))


def _answer(kind: MeasurementKind, field: Field, answer: str) -> Json:
    if answer == UNKNOWN:
        return {"dataAbsentReason": absent(UNKNOWN)}
    if field.choices:
        return {"valueCodeableConcept": concept(answer_system(kind, field), field.choices[answer])}
    if field.units:
        number, unit = amount_of(answer)
        return {"valueQuantity": quantity(Quantity(Decimal(number), unit))}
    return {"valueString": answer}


def _attempts(measurement: Measurement) -> Iterator[Json]:
    for trial in measurement.trials:
        if isinstance(trial, Absent):
            yield _component(TRIAL, COMPONENTS[TRIAL], {"dataAbsentReason": absent(trial.reason)})
        else:
            yield _component(TRIAL, COMPONENTS[TRIAL], {"valueQuantity": quantity(trial)})
    if measurement.entered:
        yield _component(ENTERED, COMPONENTS[ENTERED], {"valueString": measurement.entered})
    for caution in measurement.cautions:
        coding = {"system": CAUTION_SYSTEM, "code": caution.rule}
        yield _component(
            CAUTION, COMPONENTS[CAUTION], {"valueCodeableConcept": {"coding": [coding], "text": caution.reason}}
        )


def _component(code: str, title: str, stated: Mapping[str, object]) -> Json:
    return {"code": {"coding": [{"system": CONTEXT_SYSTEM, "code": code, "display": title}]}, **stated}
