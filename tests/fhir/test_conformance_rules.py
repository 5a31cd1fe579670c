"""The rules of the profiles tell good readings from bad, read by fhirpathpy, which this project did not write."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from decimal import Decimal
from functools import cache
from typing import Any

import fhirpathpy
import pytest
from fhirpathpy.models import models
from hypothesis import given, settings

from service.domain.kinds import KINDS
from service.domain.measurement import Measurement, Quantity
from service.domain.units import UNITS, convert
from service.fhir import conformance
from service.fhir.observation import to_observation
from service.fhir.profiles import largest
from service.fhir.text import Json, dump

from .faults import GRIP, MOTION, PANEL, TOUCH
from .measurements import handwritten, measurements

STATED = {stated.name: stated.expected for stated in handwritten()}


def rules_of(kind: str, ident: str = "Observation") -> dict[str, str]:
    """Key and expression of the rules this profile adds at an element."""
    profile = conformance.find("StructureDefinition", kind)
    element = next(element for element in profile["differential"]["element"] if element["id"] == ident)
    return {rule["key"]: rule["expression"] for rule in element["constraint"]}


@cache
def compiled(expression: str) -> Callable[[Json], list[Any]]:
    return fhirpathpy.compile(expression, models["r4"])  # type: ignore[no-any-return]


def holds(resource: Json, expression: str) -> bool:
    return compiled(expression)(resource) == [True]


def broken(resource: Json, kind: str) -> set[str]:
    plain = json.loads(dump(resource))
    return {key for key, expression in rules_of(kind).items() if not holds(plain, expression)}


@pytest.mark.parametrize("name", STATED)
def test_the_rules_of_a_profile_hold_for_the_hand_written_files(name: str) -> None:
    kind = STATED[name]["meta"]["profile"][0].rpartition("/")[2]
    assert broken(STATED[name], kind) == set()


BAD: dict[str, tuple[Json, Callable[[Json], Any], str, set[str]]] = {
    "no value": (MOTION, lambda r: r.pop("valueQuantity"), "joint-motion", {"joint-motion-value"}),
    "no code found": (TOUCH, lambda r: r.pop("valueCodeableConcept"), "touch-threshold", {"touch-threshold-value"}),
    "below zero": (
        MOTION,
        lambda r: r["valueQuantity"].update(value=Decimal("-0.1")),
        "joint-motion",
        {"joint-motion-amount"},
    ),
    "beyond what can be": (
        MOTION,
        lambda r: r["valueQuantity"].update(value=Decimal("180.1")),
        "joint-motion",
        {"joint-motion-bound-1"},
    ),
    "another system of units": (
        MOTION,
        lambda r: r["valueQuantity"].update(system="http://snomed.info/sct"),
        "joint-motion",
        {"joint-motion-unit"},
    ),
    "beyond what can be, in pounds": (
        GRIP,
        lambda r: r["valueQuantity"].update(value=Decimal(265)),
        "grip-strength",
        {"grip-strength-bound-2"},
    ),
    "beyond what can be, in kilograms-force": (
        GRIP,
        lambda r: r["valueQuantity"].update(value=Decimal(121), code="kgf"),
        "grip-strength",
        {"grip-strength-bound-1"},
    ),
    "the other hand": (
        GRIP,
        lambda r: r["bodySite"]["coding"][0].update(code="left-hand"),
        "grip-strength",
        {"grip-strength-right"},
    ),
    "two codes of ours": (
        MOTION,
        lambda r: r["code"]["coding"].append(r["code"]["coding"][0]),
        "joint-motion",
        {"joint-motion-one-code"},
    ),
    "no site of ours": (PANEL, lambda r: r["bodySite"].pop("coding"), "arc-panel", {"arc-panel-one-bodySite"}),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_reading_breaks_just_the_rule_it_should(name: str) -> None:
    good, spoil, kind, expected = BAD[name]
    bad = deepcopy(good)
    spoil(bad)
    assert broken(bad, kind) == expected


def test_every_kind_of_rule_is_broken_by_some_bad_reading() -> None:
    """A rule that nothing breaks may be one that cannot fail."""
    suffixes = {key.removeprefix(f"{kind}-") for _, _, kind, keys in BAD.values() for key in keys}
    declared = {key.removeprefix(f"{kind}-") for kind in (*KINDS, "arc-panel") for key in rules_of(kind)}
    assert declared - suffixes <= {"left", "bound-3"}


def test_rules_of_a_trial_tell_good_from_bad() -> None:
    rules = {
        key: f"component.where(code.coding.code = 'trial').all({expression})"
        for key, expression in rules_of("grip-strength", "Observation.component:trial").items()
    }
    bad = json.loads(dump(GRIP))
    assert all(holds(bad, rule) for rule in rules.values())
    trial = next(c for c in bad["component"] if c["code"]["coding"][0]["code"] == "trial")
    trial["valueQuantity"]["value"] = -1
    assert [key for key, rule in rules.items() if not holds(bad, rule)] == ["grip-strength-amount-of-trial"]
    trial["valueQuantity"]["value"] = 265
    assert [key for key, rule in rules.items() if not holds(bad, rule)] == ["grip-strength-bound-2-of-trial"]


@settings(deadline=None, max_examples=60)
@given(measurements())
def test_rules_refuse_no_reading_that_the_trade_allows(measurement: Measurement) -> None:
    """Whatever is drawn, only the bounds can be broken, and only by a number beyond the largest bound."""
    kind = KINDS[measurement.kind]
    keys = broken(to_observation(measurement), kind.name)
    value = measurement.value
    if not isinstance(value, Quantity):
        assert keys == set()
        return
    limit = largest(kind, value.unit)
    assert {key.rstrip("0123456789") for key in keys} <= {f"{kind.name}-bound-"}
    assert bool(keys) == (limit is not None and value.number > limit)


@pytest.mark.parametrize("kind", [kind for kind in KINDS.values() if kind.units], ids=lambda kind: kind.name)
def test_the_bound_of_a_profile_is_no_closer_than_any_bound_of_the_kind(kind: Any) -> None:
    found = [kind.bounds(site, axes) for site in kind.places for _, axes in kind.concepts.values()]
    for unit in kind.units:
        limit = largest(kind, unit)
        for bounds in found:
            if limit is not None and bounds is not None and UNITS[bounds.unit].dimension == UNITS[unit].dimension:
                assert convert(bounds.hard, bounds.unit, unit) <= limit
    assert any(largest(kind, unit) is not None for unit in kind.units) or None in found
