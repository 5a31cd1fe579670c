"""Snapshot and differential of each profile agree over the core base, and its rules tell good readings from bad.

The rules are evaluated by fhirpathpy, an evaluator of FHIRPath that this project did not write.
"""

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

from service.domain.anatomy import SIDES, Site
from service.domain.kinds import KINDS
from service.domain.measurement import Measurement, Quantity
from service.fhir import conformance
from service.fhir.definitions import base_definition
from service.fhir.observation import profile_of, to_observation
from service.fhir.profiles import largest
from service.fhir.snapshot import LEFT_OUT, derive
from service.fhir.text import Json, dump

from .measurements import handwritten, measurements

PROFILES = {name: each for name, each in conformance.resources().items() if name.startswith("StructureDefinition-")}
STATED = {stated.name: stated.expected for stated in handwritten()}
Element = dict[str, Any]


def by_id(elements: list[Element]) -> dict[str, Element]:
    found = {element["id"]: element for element in elements}
    assert len(found) == len(elements)
    return found


def unsliced(ident: str) -> str:
    """The id of the element in the base of which this one is, or is inside, a slice."""
    return ".".join(step.partition(":")[0] for step in ident.split("."))


@pytest.mark.parametrize("name", PROFILES)
def test_the_snapshot_is_the_base_with_the_differential_and_nothing_else(name: str) -> None:
    """Computed here in another way than where it is made: element by element, each key from whoever states it last."""
    profile = PROFILES[name]
    base = by_id(base_definition(profile["type"])["snapshot"]["element"])
    stated = by_id(profile["differential"]["element"])
    for ident, element in by_id(profile["snapshot"]["element"]).items():
        whole = unsliced(ident)
        expected = {key: value for key, value in base[whole].items() if key not in LEFT_OUT}
        if whole != ident and whole in stated:
            expected |= {k: v for k, v in stated[whole].items() if k not in ("id", "constraint", "slicing")}
        if "sliceName" in element:
            expected |= {"min": 0}
        own = dict(stated.get(ident, {}))
        rules = own.pop("constraint", [])
        expected |= {**own, "id": ident}
        if rules:
            expected["constraint"] = expected.get("constraint", []) + rules
        if "sliceName" in element:
            expected["sliceName"] = element["sliceName"]
            expected.pop("slicing", None)
        assert element == expected


@pytest.mark.parametrize("name", PROFILES)
def test_a_profile_only_narrows(name: str) -> None:
    profile = PROFILES[name]
    base = by_id(base_definition(profile["type"])["snapshot"]["element"])
    elements = by_id(profile["snapshot"]["element"])
    assert {unsliced(ident) for ident in elements} == set(base)
    assert set(by_id(profile["differential"]["element"])) <= set(elements)
    for ident, element in elements.items():
        origin = base[unsliced(ident)]
        assert element["path"] == origin["path"]
        assert element["base"] == origin["base"]
        assert int(element["min"]) >= int(origin["min"]) or "sliceName" in element
        assert most(element) <= most(origin)
        assert {t["code"] for t in element.get("type", ())} <= {t["code"] for t in origin.get("type", ())}
        assert [c for c in origin.get("constraint", ()) if c not in element["constraint"]] == []
        if origin.get("binding", {}).get("strength") == "required" and element["path"] != "Observation.code":
            assert element["binding"] == origin["binding"]


def most(element: Element) -> float:
    return float("inf") if element["max"] == "*" else int(element["max"])


@pytest.mark.parametrize("name", PROFILES)
def test_snapshot_and_differential_are_in_one_order(name: str) -> None:
    order = list(by_id(PROFILES[name]["snapshot"]["element"]))
    stated = [order.index(ident) for ident in by_id(PROFILES[name]["differential"]["element"])]
    assert stated == sorted(stated)


@pytest.mark.parametrize("name", PROFILES)
def test_every_element_can_stand_in_a_snapshot(name: str) -> None:
    """R4, sdf-3 and eld-2: each has a definition, a cardinality that can be met, and below it only its own."""
    seen = {""}
    for element in PROFILES[name]["snapshot"]["element"]:
        assert element["definition"]
        assert int(element["min"]) <= most(element)
        assert element["id"].rpartition(".")[0] in seen
        seen.add(element["id"])


def test_each_kind_and_each_extension_has_its_profile() -> None:
    urls = {profile["url"] for profile in PROFILES.values()}
    assert {profile_of(kind) for kind in KINDS.values()} <= urls
    for profile in PROFILES.values():
        used = {
            url
            for element in profile["differential"]["element"]
            for each in element.get("type", ())
            for url in each.get("profile", ())
        }
        assert used <= urls


def test_an_element_that_is_not_there_cannot_be_changed() -> None:
    with pytest.raises(ValueError, match=r"Observation\.mood"):
        derive(base_definition("Observation"), [("Observation.mood", {"min": 1})])
    with pytest.raises(ValueError, match="handle"):
        derive(base_definition("Observation"), [("Observation.component:handle.code", {"min": 1})])


def rules_of(kind: str, ident: str = "Observation") -> dict[str, str]:
    """Key and expression of the rules this profile adds at an element."""
    profile = conformance.find("StructureDefinition", kind)
    stated = by_id(profile["differential"]["element"])
    return {rule["key"]: rule["expression"] for rule in stated[ident]["constraint"]}


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


GRIP, MOTION, TOUCH, PANEL = (
    STATED[name]
    for name in (
        "grip-right-trial-stopped-for-pain",
        "pip-flexion-passive-in-orthosis",
        "touch-index-tip-4.56",
        "pip-arc-panel",
    )
)
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
    assert limit is not None
    assert {key.rstrip("0123456789") for key in keys} <= {f"{kind.name}-bound-"}
    assert bool(keys) == (value.number > limit)


@pytest.mark.parametrize("kind", [kind for kind in KINDS.values() if kind.units], ids=lambda kind: kind.name)
def test_the_bound_of_a_profile_is_no_closer_than_any_bound_of_the_kind(kind: Any) -> None:
    hard = [
        found.hard
        for side in SIDES
        for part in kind.sites
        for _, axes in kind.concepts.values()
        if (found := kind.bounds(Site(side, part), axes)) is not None
    ]
    assert largest(kind, kind.units[0]) == max(hard)
