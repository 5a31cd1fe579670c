"""An Observation as a reading: the inverse of `observation.to_observation`.

An Observation that claims one of our profiles must be a lawful reading; one that claims none is never a reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from functools import cache
from typing import Any

from service.domain.anatomy import PERSON, Site, site_of_code
from service.domain.field import UNKNOWN, Field
from service.domain.kinds import KINDS
from service.domain.measurement import (
    ABSENT_REASONS,
    Absent,
    Caution,
    Coded,
    Measurement,
    MeasurementKind,
    Quantity,
    Value,
)
from service.domain.unit_words import contradicts
from service.domain.units import UNITS
from service.errors import Invalid, Issue
from service.fhir.canonical import UCUM
from service.fhir.circumstances import circumstances_of, reading_issue
from service.fhir.observation import (
    ABSENT_SYSTEM,
    CAUTION,
    CONTEXT_SYSTEM,
    ENTERED,
    OBSERVATION_CODE,
    PANEL_PROFILE,
    SITE_SYSTEM,
    TRIAL,
    answer_system,
    field_code,
    profile_of,
    value_system,
)
from service.fhir.text import Json

_Components = dict[str, list[tuple[int, Json]]]

_PROFILES = {profile_of(kind): kind for kind in KINDS.values()}


def kind_claimed(resource: Json) -> MeasurementKind | None:
    """The kind whose profile an Observation claims, or None."""
    if resource.get("resourceType") != "Observation":
        return None
    claimed = (resource.get("meta") or {}).get("profile") or []
    return next((_PROFILES[url] for url in claimed if url in _PROFILES), None)


def is_panel(resource: Json) -> bool:
    """Whether an Observation joins the ends of one arc."""
    return PANEL_PROFILE in ((resource.get("meta") or {}).get("profile") or [])


def from_observation(resource: Json) -> Measurement:
    """The reading an Observation states. Raises `Invalid`, with expressions, where it breaks its profile."""
    kind = kind_claimed(resource)
    if kind is None:
        raise Invalid(
            reading_issue("meta.profile", "The Observation claims no profile of a reading.", "reading-profile")
        )
    axes = _axes(kind, resource)
    where = _site(kind, resource, axes)
    _refuse_modified(resource)
    components = _by_code(resource.get("component") or [])
    measurement = Measurement(
        kind=kind.name,
        site=where,
        axes=axes,
        value=_value(kind, resource, "Observation"),
        context=_context(kind, resource, components),
        circumstances=circumstances_of(resource),
        trials=tuple(_trial(kind, c, n) for n, c in components.get(TRIAL, ())),
        cautions=tuple(_caution(c) for _, c in components.get(CAUTION, ())),
        entered=next((str(c.get("valueString", "")) for _, c in components.get(ENTERED, ())), ""),
    )
    _refuse_unknown_components(kind, components)
    _refuse_broader(kind, measurement, resource)
    return measurement


def code_in(element: Mapping[str, Any] | None, system: str) -> str:
    """The code a CodeableConcept carries from a system, or the empty text."""
    for coding in (element or {}).get("coding") or ():
        if coding.get("system") == system:
            return str(coding.get("code", ""))
    return ""


def _codes_in(element: Mapping[str, Any] | None, system: str) -> list[str]:
    codings = (element or {}).get("coding") or []
    return [str(c.get("code", "")) for c in codings if c.get("system") == system]


def only_code(resource: Json, path: str, system: str) -> str:
    """The one code of ours that an element carries, or the empty text. Raises `Invalid` for two."""
    codes = _codes_in(resource.get(path), system)
    if len(codes) > 1:
        message = "Two codes of ours contradict each other."
        raise Invalid(reading_issue(path, message, "one-code", " and ".join(codes), f"one coding from {system}"))
    return next(iter(codes), "")


def _axes(kind: MeasurementKind, resource: Json) -> Mapping[str, str]:
    code = only_code(resource, "code", OBSERVATION_CODE)
    found = kind.concepts.get(code)
    if found is None:
        expected = f"a code of {kind.title.lower()} from {OBSERVATION_CODE}"
        raise Invalid(
            reading_issue("code", "The code is not one of this kind of measurement.", "reading-code", code, expected)
        )
    return found[1]


def _site(kind: MeasurementKind, resource: Json, axes: Mapping[str, str]) -> Site:
    where = site_in(kind, resource)
    if axes.get("side", where.side) != where.side:
        message = f"The code says {axes['side']}, the body site {where.side}."
        raise Invalid(reading_issue("bodySite", message, "one-side", where.code, f"a site of the {axes['side']} side"))
    return where


def site_in(kind: MeasurementKind, resource: Json) -> Site:
    """The site an Observation names. Raises `Invalid` where it names none of ours, or two."""
    if kind.sites == (PERSON,):
        if "bodySite" in resource:
            raise Invalid(reading_issue("bodySite", f"{kind.title} belongs to the person, not to a part.", "no-site"))
        return Site("", PERSON)
    code = only_code(resource, "bodySite", SITE_SYSTEM)
    if not code:
        expected = f"a coding from {SITE_SYSTEM}"
        raise Invalid(reading_issue("bodySite", "The body site has no code of ours.", "reading-site", "", expected))
    try:
        return site_of_code(code)
    except Invalid as error:
        raise Invalid(*(reading_issue("bodySite", i.message, i.rule, code, i.expected) for i in error.issues)) from None


def _value(kind: MeasurementKind, resource: Mapping[str, Any], path: str) -> Value:
    if "valueQuantity" in resource:
        return _quantity(kind.units, resource["valueQuantity"], f"{path}.valueQuantity")
    if "valueCodeableConcept" in resource:
        code = code_in(resource["valueCodeableConcept"], value_system(kind))
        if code not in kind.values:
            expected = f"a code from {value_system(kind)}"
            raise Invalid(
                Issue("invariant", "The value is not one of this kind's.", f"{path}.value", code, "", expected)
            )
        return Coded(code)
    return _absent(resource, path)


def _absent(resource: Mapping[str, Any], path: str) -> Absent:
    codings = (resource.get("dataAbsentReason") or {}).get("coding") or []
    reason = next((str(c.get("code")) for c in codings if c.get("code") in ABSENT_REASONS), "")
    if not reason:
        raise Invalid(
            Issue(
                "required",
                "There is neither a value of this kind nor a reason why it has none.",
                f"{path}.dataAbsentReason",
                "",
                "value-or-reason",
                "one of " + ", ".join(ABSENT_REASONS),
            )
        )
    return Absent(reason)


def _quantity(units: Sequence[str], given: Mapping[str, Any], path: str) -> Quantity:
    unit, number = str(given.get("code", "")), given.get("value")
    if given.get("system") != UCUM or unit not in units:
        expected = f"{UCUM} with " + (" or ".join(units) or "no unit: this kind has coded values")
        raise Invalid(Issue("invariant", "The unit is not one of this kind's.", f"{path}.code", unit, "unit", expected))
    words = str(given.get("unit", ""))
    if contradicts(words, unit):
        message = "The words for the unit contradict its code."
        expected = f"{UNITS[unit].name}, or the code that fits the words"
        raise Invalid(Issue("invariant", message, f"{path}.unit", words, "unit-words", expected))
    if not isinstance(number, (Decimal, int)) or isinstance(number, bool):
        raise Invalid(Issue("required", "The quantity has no number.", f"{path}.value", "", "number", "a number"))
    return Quantity(Decimal(number), unit, str(given.get("comparator", "")))


def _by_code(components: Iterable[Json]) -> _Components:
    """The components, each with its place, by the code of ours; those without one stand under the empty text."""
    found: _Components = {}
    for place, component in enumerate(components):
        found.setdefault(code_in(component.get("code"), CONTEXT_SYSTEM), []).append((place, component))
    return found


def _trial(kind: MeasurementKind, component: Json, place: int) -> Quantity | Absent:
    path = f"Observation.component[{place}]"
    given = component.get("valueQuantity")
    return _absent(component, path) if given is None else _quantity(kind.units, given, f"{path}.valueQuantity")


def _caution(component: Json) -> Caution:
    stated = component.get("valueCodeableConcept") or {}
    codings = stated.get("coding") or [{}]
    return Caution(str(codings[0].get("code", "")), str(stated.get("text", "")))


@cache
def _questions(kind: str) -> tuple[tuple[Field, str, str], ...]:
    """The fields of a kind's context, each with the code of its component and the system of its answers."""
    return tuple((field, field_code(field), answer_system(KINDS[kind], field)) for field in KINDS[kind].context_fields)


def _context(kind: MeasurementKind, resource: Json, components: _Components) -> Mapping[str, str]:
    found: dict[str, str] = {}
    for field, code, system in _questions(kind.name):
        if field.place == "method":
            found[field.name] = _method(field, system, resource.get("method") or {})
            continue
        stated = components.get(code, ())
        if len(stated) > 1:
            path = f"component[{stated[1][0]}]"
            raise Invalid(reading_issue(path, f"'{code}' is stated more than once.", "one-answer"))
        found[field.name] = _stated(field, system, stated[0]) if stated else UNKNOWN
        if field.required and found[field.name] == UNKNOWN:
            raise Invalid(
                reading_issue("component", f"{field.title} must be stated.", "required-field", "", field.name)
            )
    return found


def _method(field: Field, system: str, stated: Mapping[str, Any]) -> str:
    answer = code_in(stated, system)
    if not answer and stated.get("coding"):
        expected = f"a coding from {system}, or none"
        raise Invalid(reading_issue("method", "The method is coded, but not by us.", "known-answer", "", expected))
    return _known(field, answer or UNKNOWN, "method")


def _stated(field: Field, system: str, stated: tuple[int, Json]) -> str:
    place, component = stated
    if "dataAbsentReason" in component:
        reason = code_in(component["dataAbsentReason"], ABSENT_SYSTEM)
        if reason != UNKNOWN:
            message = "Context that was not recorded is unknown, and nothing else."
            raise Invalid(reading_issue(f"component[{place}].dataAbsentReason", message, "unknown", reason, UNKNOWN))
        return UNKNOWN
    if field.units:
        path = f"Observation.component[{place}].valueQuantity"
        amount = _quantity(field.units, component.get("valueQuantity") or {}, path)
        return f"{amount.number} {amount.unit}"
    if not field.choices:
        return str(component.get("valueString", "")) or UNKNOWN
    answer = code_in(component.get("valueCodeableConcept"), system)
    return _known(field, answer, f"component[{place}].value")


def _known(field: Field, answer: str, path: str) -> str:
    if field.choices and answer not in field.codes:
        expected = "one of " + ", ".join(field.codes)
        raise Invalid(reading_issue(path, f"Not an answer to: {field.title}.", "known-answer", answer, expected))
    return answer


def _refuse_modified(resource: Json) -> None:
    if "modifierExtension" in resource:
        message = "A modifier may change the meaning of a reading, and none is understood here."
        raise Invalid(reading_issue("modifierExtension", message, "no-modifier", "", "no modifierExtension"))


def _refuse_broader(kind: MeasurementKind, measurement: Measurement, resource: Json) -> None:
    """A public code of the ordinary test does not name one that was taken otherwise."""
    term, _ = kind.concepts[kind.code(measurement.axes)]
    stated = {(c.get("system"), c.get("code")) for c in resource["code"]["coding"]}
    named = [c.code for c in term.same if (c.system, c.code) in stated]
    if named and not kind.ordinary(measurement):
        message = "This public code names the ordinary test, and the reading was taken otherwise."
        raise Invalid(reading_issue("code", message, "same-meaning", named[0], "the code of this record alone"))


def _refuse_unknown_components(kind: MeasurementKind, components: _Components) -> None:
    known = {code for field, code, _ in _questions(kind.name) if field.place == "component"} | {TRIAL, CAUTION, ENTERED}
    for code, stated in components.items():
        if code not in known:
            expected = "one of " + ", ".join(sorted(known))
            message = "The component is not part of this kind of reading."
            raise Invalid(reading_issue(f"component[{stated[0][0]}].code", message, "known-component", code, expected))
