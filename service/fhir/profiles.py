"""The profiles that resources claim; those of readings follow from the declarations of the kinds."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from service.domain.anatomy import PERSON, SIDES
from service.domain.field import Field
from service.domain.kinds import KINDS
from service.domain.measurement import MeasurementKind
from service.domain.units import UNITS, convert
from service.fhir.billing_profiles import billing_profiles
from service.fhir.canonical import UCUM
from service.fhir.course_profiles import course_profiles
from service.fhir.extensions import WORN
from service.fhir.narrowing import bound, narrowed, person, rule
from service.fhir.observation import (
    CAUTION,
    COMPONENTS,
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
from service.fhir.orthosis_profiles import orthosis_profiles
from service.fhir.snapshot import Change, structure_definition
from service.fhir.terminology import short_name, sites_of
from service.fhir.text import Json
from service.fhir.value_sets import unit_set

BY_CODE = {"discriminator": [{"type": "pattern", "path": "code"}], "ordered": False, "rules": "closed"}


def profiles() -> list[Json]:
    """Every StructureDefinition of ours."""
    return [
        *(_of_kind(kind) for kind in KINDS.values()),
        _arc_panel(),
        *course_profiles(),
        *orthosis_profiles(),
        *billing_profiles(),
    ]


def _of_kind(kind: MeasurementKind) -> Json:
    name = short_name(profile_of(kind))
    return structure_definition(profile_of(kind), kind.title, kind.description, "Observation", _changes(kind, name))


def _changes(kind: MeasurementKind, name: str) -> Iterator[Change]:
    yield (
        "Observation",
        {
            "short": kind.title,
            "definition": kind.description,
            "constraint": [rule(profile_of(kind), *each) for each in _rules(kind, name)],
        },
    )
    yield from _around(f"{kind.name}-code", "" if kind.sites == (PERSON,) else f"{kind.name}-site")
    yield "Observation.value[x]", _value(kind)
    yield "Observation.dataAbsentReason", bound("absent-reason", "Why there is no value. Missing is not zero.")
    for field in kind.fields:
        if field.place == "method":
            yield "Observation.method", bound(short_name(answer_system(kind, field)), field.title)
    yield "Observation.component", {"slicing": BY_CODE, "short": "How the reading was taken, and its single trials"}
    yield "Observation.component.modifierExtension", {"max": "0"}
    for field in kind.context_fields:
        if field.place == "component":
            yield from _answer(kind, field)
    if kind.summary_rules:
        yield from _trial(kind)
    yield from _component(ENTERED, COMPONENTS[ENTERED], "1", {"type": [{"code": "string"}]})
    asked = {"type": [{"code": "CodeableConcept"}], **bound("caution", "The rule that asked, and why it was accepted")}
    yield from _component(CAUTION, COMPONENTS[CAUTION], "*", asked)


def _around(code: str, site: str) -> Iterator[Change]:
    """What every reading and every whole has: whose, when, by whom, where, and perhaps with which orthosis."""
    yield from narrowed("Observation", WORN)
    yield "Observation.modifierExtension", {"max": "0"}
    yield "Observation.code", bound(code, "What was measured")
    yield person("Observation.subject", "Whose hand was measured")
    moment = "When it was measured: the moment with its offset, or the day alone where only that is known"
    yield "Observation.effective[x]", {"short": moment, "min": 1, "type": [{"code": "dateTime"}]}
    yield "Observation.performer", {"short": "Who measured", "min": 1}
    if site:
        yield "Observation.bodySite", {**bound(site, "Where, with its side"), "min": 1}
    else:
        yield "Observation.bodySite", {"short": "None: this belongs to the person", "max": "0"}


def _value(kind: MeasurementKind) -> Json:
    if kind.values and kind.units:
        short = "What was measured, in a unit of this kind, or what was found"
        return {
            "type": [{"code": "Quantity"}, {"code": "CodeableConcept"}],
            **bound(f"{kind.name}-value-or-unit", short),
        }
    if kind.values:
        return {"type": [{"code": "CodeableConcept"}], **bound(short_name(value_system(kind)), "What was found")}
    return {"type": [{"code": "Quantity"}], **bound(f"{kind.name}-unit", "What was measured, in a unit of this kind")}


def _answer(kind: MeasurementKind, field: Field) -> Iterator[Change]:
    stated: Json = {"type": [{"code": "string"}]}
    if field.choices:
        stated = {
            "type": [{"code": "CodeableConcept"}],
            **bound(short_name(answer_system(kind, field)), field.title),
        }
    if field.units:
        stated = {"type": [{"code": "Quantity"}], **bound(unit_set(kind, field), field.title)}
    yield from _component(field_code(field), field.title, "1", stated)


def _trial(kind: MeasurementKind) -> Iterator[Change]:
    path = f"Observation.component:{TRIAL}"
    amount = {"type": [{"code": "Quantity"}], **bound(f"{kind.name}-unit", "One attempt, in a unit of this kind")}
    yield from _component(TRIAL, COMPONENTS[TRIAL], "*", amount if kind.values else _value(kind))
    rules = [rule(profile_of(kind), f"{key}-of-trial", text, test) for key, text, test in _of_quantity(kind)]
    if rules:
        yield path, {"constraint": rules}
    yield f"{path}.dataAbsentReason", bound("absent-reason", "Why this trial has no value")


def _component(code: str, title: str, most: str, value: Json) -> Iterator[Change]:
    path = f"Observation.component:{code}"
    pattern = {"coding": [{"system": CONTEXT_SYSTEM, "code": code}]}
    yield path, {"short": title, "max": most}
    yield f"{path}.code", {"patternCodeableConcept": pattern}
    yield f"{path}.value[x]", value


def _rules(kind: MeasurementKind, name: str) -> Iterator[tuple[str, str, str]]:
    """Key, sentence and FHIRPath of each invariant of a reading.

    A choice is tested as `value.exists() implies value.value …`, which every evaluator tried reads alike.
    """
    yield (
        f"{name}-value",
        "A reading has a value or the reason why it has none",
        "value.exists() or dataAbsentReason.exists()",
    )
    yield from _unmistakable(name, "code" if kind.sites == (PERSON,) else "code bodySite")
    yield from _of_quantity(kind)
    if kind.side_in_code:
        yield from (_one_side(kind, side, f"{name}-{side}") for side in SIDES)


_SYSTEM_AT = {"code": OBSERVATION_CODE, "bodySite": SITE_SYSTEM}


def _unmistakable(name: str, paths: str = "code bodySite") -> Iterator[tuple[str, str, str]]:
    """A second code of ours beside the first could say the opposite."""
    for path in paths.split():
        system = _SYSTEM_AT[path]
        text = f"There is exactly one coding of ours in {path}"
        yield f"{name}-one-{path}", text, f"{path}.coding.where(system = '{system}').count() = 1"


def _of_quantity(kind: MeasurementKind) -> Iterator[tuple[str, str, str]]:
    if not kind.units:
        return
    amount = "value.value.exists()" if kind.values else "value.exists()"
    yield f"{kind.name}-amount", "An amount is 0 or more", f"{amount} implies value.value >= 0"
    system = f"{amount} implies value.system = '{UCUM}'"
    yield f"{kind.name}-unit", "The unit is a UCUM code", system
    for place, unit in enumerate(kind.units, 1):
        limit = largest(kind, unit)
        if limit is not None:
            text = f"No reading of this kind exceeds {limit} {unit}; many sites and motions have a closer bound"
            test = f"({amount} and value.code = '{unit}') implies value.value <= {limit}"
            yield f"{kind.name}-bound-{place}", text, test


def largest(kind: MeasurementKind, unit: str) -> Decimal | None:
    """The largest amount in `unit` that any site and code of a kind can have, or None where nothing is bounded."""
    found = [kind.bounds(site, axes) for site in kind.places for _, axes in kind.concepts.values()]
    measured = [each for each in found if each is None or UNITS[each.unit].dimension == UNITS[unit].dimension]
    limits = [convert(each.hard, each.unit, unit) for each in measured if each is not None]
    return max(limits) if limits and len(limits) == len(measured) else None


def _one_side(kind: MeasurementKind, side: str, key: str) -> tuple[str, str, str]:
    codes = " or ".join(f"code = '{code}'" for code, (_, axes) in kind.concepts.items() if axes["side"] == side)
    sites = " or ".join(f"code = '{term.code}'" for term in sites_of(kind) if term.properties["side"] == side)
    measured = f"code.coding.where(system = '{OBSERVATION_CODE}' and ({codes})).exists()"
    at = f"bodySite.coding.where(system = '{SITE_SYSTEM}' and ({sites})).exists()"
    return key, f"What was measured on the {side} has a site on the {side}", f"{measured} implies {at}"


def _arc_panel() -> Json:
    text = (
        "A whole arc of motion as it was entered: it keeps the text and its convention, and joins the readings of "
        "both ends."
    )
    return structure_definition(PANEL_PROFILE, "Arc of motion", text, "Observation", _panel_changes(text))


def _panel_changes(text: str) -> Iterator[Change]:
    rules = [rule(PANEL_PROFILE, *each) for each in _unmistakable("arc-panel")]
    yield "Observation", {"short": "Arc of motion", "definition": text, "constraint": rules}
    yield from _around("arc-panel-code", "arc-panel-site")
    yield "Observation.value[x]", {"max": "0"}
    kinds = [kind for kind in KINDS.values() if kind.panels]
    ends = [{"code": "Reference", "targetProfile": [profile_of(kind) for kind in kinds]}]
    yield "Observation.hasMember", {"short": "The readings of both ends", "min": 1, "type": ends}
    yield "Observation.component", {"slicing": BY_CODE, "short": "The arc as it was entered"}
    yield from _component(ENTERED, COMPONENTS[ENTERED], "1", {"type": [{"code": "string"}]})
    for kind in kinds:
        yield from (
            change for field in kind.context_fields if field.name == "convention" for change in _answer(kind, field)
        )
