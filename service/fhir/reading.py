"""An Observation as a reading: the inverse of `observation.to_observation`.

An Observation that claims one of our profiles must be a lawful reading; one that claims none is never a reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from service.domain.anatomy import PERSON, Site, site_of_code
from service.domain.field import UNKNOWN, Field
from service.domain.kinds import KINDS
from service.domain.measurement import (
    ABSENT_REASONS,
    Absent,
    Caution,
    Circumstances,
    Coded,
    Measurement,
    MeasurementKind,
    Quantity,
    Value,
)
from service.domain.reading import check
from service.errors import Invalid, Issue
from service.fhir.canonical import UCUM
from service.fhir.observation import (
    CAUTION,
    CONTEXT_SYSTEM,
    ENTERED,
    OBSERVATION_CODE,
    ORTHOSIS_WORN,
    PANEL_PROFILE,
    SITE_SYSTEM,
    TRIAL,
    answer_system,
    field_code,
    profile_of,
    value_system,
    when_of,
)
from service.fhir.text import Json

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
        raise Invalid(_issue("meta.profile", "The Observation claims no profile of a reading.", "reading-profile"))
    axes = _axes(kind, resource)
    where = _site(kind, resource)
    components = resource.get("component") or []
    measurement = Measurement(
        kind=kind.name,
        site=where,
        axes=axes,
        value=_value(kind, resource, "Observation"),
        context=_context(kind, resource, components),
        circumstances=_circumstances(resource),
        trials=tuple(_trial(kind, c, n) for n, c in _of(components, TRIAL)),
        cautions=tuple(_caution(c) for _, c in _of(components, CAUTION)),
        entered=next((str(c.get("valueString", "")) for _, c in _of(components, ENTERED)), ""),
    )
    _refuse_unknown_components(kind, components)
    return measurement


def check_profiles(resource: Json) -> list[Issue]:
    """What a resource that claims one of our profiles breaks; empty for one that claims none."""
    kind = kind_claimed(resource)
    if kind is None:
        return []
    try:
        measurement = from_observation(resource)
    except Invalid as error:
        return list(error.issues)
    accepted = {caution.rule for caution in measurement.cautions}
    return [
        _located(finding.issue)
        for finding in check(measurement)
        if finding.grade == "refuse" or finding.issue.rule not in accepted
    ]


def _located(issue: Issue) -> Issue:
    places = {"value": "value", "site": "bodySite", "motion": "code"}
    return Issue(
        issue.code,
        issue.message,
        f"Observation.{places.get(issue.where, issue.where)}",
        issue.value,
        issue.rule,
        issue.expected,
    )


def _issue(path: str, message: str, rule: str, value: object = "", expected: str = "") -> Issue:
    return Issue("invariant", message, f"Observation.{path}", str(value or ""), rule, expected)


def code_in(element: Mapping[str, Any] | None, system: str) -> str:
    """The code a CodeableConcept carries from a system, or the empty text."""
    codings = (element or {}).get("coding") or []
    return next((str(c.get("code", "")) for c in codings if c.get("system") == system), "")


def _axes(kind: MeasurementKind, resource: Json) -> Mapping[str, str]:
    code = code_in(resource.get("code"), OBSERVATION_CODE)
    found = kind.concepts.get(code)
    if found is None:
        expected = f"a code of {kind.title.lower()} from {OBSERVATION_CODE}"
        raise Invalid(
            _issue("code", "The code is not one of this kind of measurement.", "reading-code", code, expected)
        )
    return found[1]


def _site(kind: MeasurementKind, resource: Json) -> Site:
    if kind.sites == (PERSON,):
        if "bodySite" in resource:
            raise Invalid(_issue("bodySite", f"{kind.title} belongs to the person, not to a part.", "no-site"))
        return Site("", PERSON)
    code = code_in(resource.get("bodySite"), SITE_SYSTEM)
    if not code:
        expected = f"a coding from {SITE_SYSTEM}"
        raise Invalid(_issue("bodySite", "The body site has no code of ours.", "reading-site", "", expected))
    try:
        return site_of_code(code)
    except Invalid as error:
        raise Invalid(*(_issue("bodySite", i.message, i.rule, code, i.expected) for i in error.issues)) from None


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
    if not isinstance(number, (Decimal, int)) or isinstance(number, bool):
        raise Invalid(Issue("required", "The quantity has no number.", f"{path}.value", "", "number", "a number"))
    return Quantity(Decimal(number), unit, str(given.get("comparator", "")))


def _of(components: Iterable[Json], code: str) -> list[tuple[int, Json]]:
    return [(n, c) for n, c in enumerate(components) if code_in(c.get("code"), CONTEXT_SYSTEM) == code]


def _trial(kind: MeasurementKind, component: Json, place: int) -> Quantity | Absent:
    path = f"Observation.component[{place}]"
    given = component.get("valueQuantity")
    return _absent(component, path) if given is None else _quantity(kind.units, given, f"{path}.valueQuantity")


def _caution(component: Json) -> Caution:
    stated = component.get("valueCodeableConcept") or {}
    codings = stated.get("coding") or [{}]
    return Caution(str(codings[0].get("code", "")), str(stated.get("text", "")))


def _context(kind: MeasurementKind, resource: Json, components: list[Json]) -> Mapping[str, str]:
    found: dict[str, str] = {}
    for field in kind.context_fields:
        if field.place == "method":
            answer = code_in(resource.get("method"), answer_system(kind, field)) or UNKNOWN
            found[field.name] = _known(field, answer, "method")
            continue
        stated = _of(components, field_code(field))
        if len(stated) > 1:
            path = f"component[{stated[1][0]}]"
            raise Invalid(_issue(path, f"'{field_code(field)}' is stated more than once.", "one-answer"))
        found[field.name] = _stated(kind, field, stated[0]) if stated else UNKNOWN
        if field.required and found[field.name] == UNKNOWN:
            raise Invalid(_issue("component", f"{field.title} must be stated.", "required-field", "", field.name))
    return found


def _stated(kind: MeasurementKind, field: Field, stated: tuple[int, Json]) -> str:
    place, component = stated
    if "dataAbsentReason" in component:
        return UNKNOWN
    if field.units:
        path = f"Observation.component[{place}].valueQuantity"
        amount = _quantity(field.units, component.get("valueQuantity") or {}, path)
        return f"{amount.number} {amount.unit}"
    if not field.choices:
        return str(component.get("valueString", "")) or UNKNOWN
    answer = code_in(component.get("valueCodeableConcept"), answer_system(kind, field))
    return _known(field, answer, f"component[{place}].value")


def _known(field: Field, answer: str, path: str) -> str:
    if field.choices and answer not in field.codes:
        expected = "one of " + ", ".join(field.codes)
        raise Invalid(_issue(path, f"Not an answer to: {field.title}.", "known-answer", answer, expected))
    return answer


def _refuse_unknown_components(kind: MeasurementKind, components: list[Json]) -> None:
    known = {field_code(f) for f in kind.context_fields if f.place == "component"} | {TRIAL, CAUTION, ENTERED}
    for place, component in enumerate(components):
        code = code_in(component.get("code"), CONTEXT_SYSTEM)
        if code not in known:
            expected = "one of " + ", ".join(sorted(known))
            message = "The component is not part of this kind of reading."
            raise Invalid(_issue(f"component[{place}].code", message, "known-component", code, expected))


def _circumstances(resource: Json) -> Circumstances:
    text = str(resource.get("effectiveDateTime", ""))
    subject = str((resource.get("subject") or {}).get("reference", ""))
    performer = (resource.get("performer") or [{}])[0]
    missing = {"effectiveDateTime": text, "subject": subject, "performer": performer}
    for path, stated in missing.items():
        if not stated:
            raise Invalid(_issue(path, f"A reading must have its {path}.", "required-element"))
    taken, day_only = when_of(text)
    identifier = (resource.get("identifier") or [None])[0]
    meta = resource.get("meta") or {}
    return Circumstances(
        subject=subject,
        taken=taken,
        day_only=day_only,
        performer=str(performer.get("reference", "")),
        performer_name=str(performer.get("display", "")),
        encounter=str((resource.get("encounter") or {}).get("reference", "")),
        device_use=_device_use(resource),
        status=str(resource.get("status", "")),
        note=str((resource.get("note") or [{}])[0].get("text", "")),
        source=(str(identifier.get("system", "")), str(identifier.get("value", ""))) if identifier else None,
        id=str(resource.get("id", "")),
        version=str(meta.get("versionId", "")),
    )


def _device_use(resource: Json) -> str:
    extensions = resource.get("extension") or []
    worn = (e.get("valueReference") or {} for e in extensions if e.get("url") == ORTHOSIS_WORN)
    return str(next(worn, {}).get("reference", ""))
