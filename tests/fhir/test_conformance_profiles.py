"""Snapshot and differential of each profile agree over the core base, and only narrow it."""

from __future__ import annotations

from typing import Any

import pytest
from pyrofile_validator.profiles.snapshot import SnapshotResolver

from service.domain.kinds import KINDS
from service.fhir import conformance
from service.fhir.definitions import base_definition
from service.fhir.observation import profile_of
from service.fhir.snapshot import derive

from .measurements import handwritten

PROFILES = {name: each for name, each in conformance.resources().items() if name.startswith("StructureDefinition-")}
STATED = {stated.name: stated.expected for stated in handwritten()}
Element = dict[str, Any]


def by_id(elements: list[Element]) -> dict[str, Element]:
    found = {element["id"]: element for element in elements}
    assert len(found) == len(elements)
    return found


def base_of(profile: Element) -> dict[str, Element]:
    """The elements of the base by id, with those inside each extension that the profile opens."""
    found = by_id(base_definition(profile["type"])["snapshot"]["element"])
    inside = by_id(base_definition("Extension")["snapshot"]["element"])
    for ident in by_id(profile["snapshot"]["element"]):
        whole = unsliced(ident)
        above, _, leaf = whole.rpartition(".")
        if whole not in found and above.endswith(".extension"):
            found[whole] = {**inside[f"Extension.{leaf}"], "id": whole, "path": whole}
    return found


def unsliced(ident: str) -> str:
    """The id of the element in the base of which this one is, or is inside, a slice."""
    return ".".join(step.partition(":")[0] for step in ident.split("."))


def without_remarks(element: Element) -> Element:
    """An element of the base without what it says for other standards, other readers and XML."""
    kept = {k: v for k, v in element.items() if k not in ("mapping", "comment", "requirements", "alias")}
    if "constraint" in kept:
        kept["constraint"] = [{k: v for k, v in rule.items() if k != "xpath"} for rule in kept["constraint"]]
    return kept


@pytest.mark.parametrize("name", PROFILES)
def test_the_snapshot_is_the_base_with_the_differential_and_nothing_else(name: str) -> None:
    """Computed here in another way than where it is made: element by element, each key from whoever states it last."""
    profile = PROFILES[name]
    base = base_of(profile)
    stated = by_id(profile["differential"]["element"])
    for ident, element in by_id(profile["snapshot"]["element"]).items():
        whole = unsliced(ident)
        expected = without_remarks(base[whole])
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
    base = base_of(profile)
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
        assert [c for c in without_remarks(origin).get("constraint", ()) if c not in element["constraint"]] == []
        if origin.get("binding", {}).get("strength") == "required":
            assert element["binding"] == origin["binding"]


def most(element: Element) -> float:
    return float("inf") if element["max"] == "*" else int(element["max"])


@pytest.mark.parametrize("name", PROFILES)
def test_another_merge_of_base_and_differential_comes_to_the_same(name: str) -> None:
    """pyrofile-validator's own merge, which leaves slices as they are stated: so the other elements are compared."""
    profile = {key: value for key, value in PROFILES[name].items() if key != "snapshot"}
    merged = by_id(SnapshotResolver([base_definition(profile["type"]), profile]).elements_for(profile))
    own = by_id(PROFILES[name]["snapshot"]["element"])
    compared = [ident for ident in own if ":" not in ident]
    assert len(compared) == len([ident for ident in merged if ":" not in ident])
    for ident in compared:
        assert [essence(own[ident], key) for key in ESSENTIAL] == [essence(merged[ident], key) for key in ESSENTIAL]


ESSENTIAL = ("path", "min", "max", "type", "constraint", "fixedUri", "slicing", "short", "binding")


def essence(element: Element, key: str) -> Any:
    """A part of an element; of a binding only how strong it is and to what."""
    value = without_remarks(element).get(key)
    return (value["strength"], value.get("valueSet", "").partition("|")[0]) if key == "binding" and value else value


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
