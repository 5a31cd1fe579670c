"""The shape gate says what fhir.resources says, over mutants of HL7's own examples; and what fhir.resources is here.

`HANDRECORD_TEST_MUTANTS` sets how many mutants are tried (default 2000, a few seconds); the seed is fixed, and
`HANDRECORD_TEST_SEED` changes it.
"""

from __future__ import annotations

import os
import random
import re
from collections import Counter
from copy import deepcopy
from decimal import Decimal
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from fhir_core.utils import is_list_type

from service.errors import Issue
from service.fhir import definitions, shape_gate
from service.fhir.definitions import VALIDATED_TYPES
from service.fhir.nested import walked
from service.fhir.primitives import PRIMITIVES
from service.fhir.shape_gate import arbiter_issues, forget_shapes, judged, known_shapes
from service.fhir.structure import json_properties
from service.fhir.text import dump, parse

Json = dict[str, Any]
ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "r4-examples"
MUTANTS = int(os.environ.get("HANDRECORD_TEST_MUTANTS", "2000"))
SEED = os.environ.get("HANDRECORD_TEST_SEED", "hand")


@cache
def examples() -> list[bytes]:
    if not FOLDER.exists():
        pytest.skip(f"the official examples are not at {FOLDER}")
    return [
        path.read_bytes()
        for path in sorted(FOLDER.glob("*.json"))
        if path.name.split("-")[0] in VALIDATED_TYPES and path.stat().st_size < 8000
    ]


def places(node: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) in a JSON value."""
    steps = list(node.items()) if isinstance(node, dict) else list(enumerate(node)) if isinstance(node, list) else []
    return [place for key, child in steps for place in ((node, key), *places(child))]


ODD_VALUES: list[Any] = [
    None, "", " ", "x", "a b", "a\nb", "é 漢", 0, 1, -1, 3, 2**31, Decimal("3.0"), Decimal("1.50"), Decimal("1E-7"),
    True, False, [], {}, [None], [{}], {"id": "a"}, {"extension": [{"url": "http://example.org/x", "valueCode": "a"}]},
    "2026", "2026-02", "2026-02-28", "2026-02-30", "2024-02-29", "0000", "0001-01-01", "9999-12-31", "2026-13",
    "2026-02-03T10:00:00Z", "2026-02-03T10:00:00.123456+14:00", "2026-02-03T10:00:00.123456789Z", "2026-02-03T10:00",
    "2026-02-03T10:00:00", "2016-12-31T23:59:60Z", "2026-02-03T24:00:00Z", "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-12:00", "2026-02-03T10:00:00+14:30", "10:00:00", "23:59:60", "24:00:00", "10:00",
    "Patient/1", "Medication/1", "#a", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "urn:oid:1.2.3", "urn:oid:9",
    "http://example.org", "http://1.2.3.999/", "ftp://x", "mailto:a@example.org", "YQ==", "YQ", "Y Q = =", "a" * 65,
    "<div xmlns=\"http://www.w3.org/1999/xhtml\">a</div>", "<div>a", Decimal("1E+30"), 10**30, -(2**31), 2**31 - 1,
]  # fmt: skip
ODD_KEYS = ["status", "_status", "value", "valueString", "_valueString", "valueQuantity", "code", "id", "_id", "bogus",
            "extension", "modifierExtension", "resourceType", "resource_type", "fhir_comments", "text", "class_fhir",
            "contained", "url", "system", "_system", "unit", "meta", "implicitRules", "valueMeta"]  # fmt: skip


def mutant(dice: random.Random) -> Json:
    """An example with up to three changes: values, keys, order, doubled or emptied entries."""
    resource = parse(dice.choice(examples()))
    kind = resource["resourceType"]
    for _ in range(dice.randint(0, 3)):
        owner, key = dice.choice(places(resource))
        change = dice.randrange(7)
        if change < 3:
            owner[key] = deepcopy(dice.choice(ODD_VALUES))
        elif change == 3:
            del owner[key]
        elif change == 4 and isinstance(owner, dict):
            owner[dice.choice(ODD_KEYS)] = deepcopy(dice.choice(ODD_VALUES))
        elif change == 5:
            elsewhere, other = dice.choice(places(parse(dice.choice(examples()))))
            owner[key] = elsewhere[other]
        elif isinstance(owner, list):
            owner.append(parse(dump({"copy": owner[key]}))["copy"])
        elif owner is not resource:
            items = list(owner.items())
            dice.shuffle(items)
            owner.clear()
            owner.update(items)
    resource["resourceType"] = kind
    return resource


def test_gate_and_bare_arbiter_never_disagree() -> None:
    """On every resource that our own rules let pass; whatever they refuse never reaches the gate."""
    forget_shapes()
    dice = random.Random(SEED)
    seen: Counter[str] = Counter()
    for _ in range(MUTANTS):
        resource = mutant(dice)
        name = resource["resourceType"]
        walk = walked(resource, name)
        if walk.has_errors_since(0):
            seen["refused by our own rules"] += 1
            continue
        before = known_shapes()
        gate = next((issues for issues in map(arbiter_issues, walk.found) if issues), [])
        bare = judged(name, resource, name)
        assert bool(gate) == bool(bare), (resource, gate, bare)
        seen[
            "refused by the arbiter" if bare else "learned" if known_shapes() > before else "known or asked again"
        ] += 1
    assert seen["refused by our own rules"] > MUTANTS / 10
    assert seen["known or asked again"] > MUTANTS / 10


def test_what_our_own_rules_let_pass_the_arbiter_lets_pass() -> None:
    """No false reading of R4 on our side: the arbiter, though laxer, never has to step in."""
    dice = random.Random(SEED + "2")
    surprises = []
    for _ in range(MUTANTS // 2):
        resource = mutant(dice)
        name = resource["resourceType"]
        if not walked(resource, name).has_errors_since(0) and judged(name, resource, name):
            surprises.append(judged(name, resource, name))
    assert surprises == []


def holds(node: Any, wanted: str) -> bool:
    if isinstance(node, dict):
        return wanted in node or any(holds(child, wanted) for child in node.values())
    return isinstance(node, list) and any(holds(child, wanted) for child in node)


@pytest.mark.parametrize("wanted", ["extension", "display", "unit", "coding", "period", "_birthDate", "valueString"])
def test_the_shape_tells_whatever_an_arbiter_could_object_to(wanted: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With an arbiter that refuses one key anywhere, the gate never lets that key pass, nor stops others."""

    def refuses_key(name: str, resource: Json, where: str) -> list[Issue]:
        return [Issue("structure", "Refused.", where)] if holds(resource, wanted) else []

    monkeypatch.setattr(shape_gate, "judged", refuses_key)
    forget_shapes()
    dice = random.Random(SEED + wanted)
    seen: Counter[bool] = Counter()
    for _ in range(MUTANTS // 8):
        resource = mutant(dice)
        walk = walked(resource, resource["resourceType"])
        if not walk.has_errors_since(0):
            refused = any(arbiter_issues(found) for found in walk.found)
            assert refused == holds(resource, wanted), resource
            seen[refused] += 1
    forget_shapes()
    assert seen[True]
    assert seen[False]


def test_a_shape_is_learned_once_and_values_do_not_matter() -> None:
    forget_shapes()
    first = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "a"},
        "subject": {"reference": "Patient/1"},
        "effectiveDateTime": "2026-02-03",
        "valueQuantity": {"value": Decimal("1.50"), "unit": "kg"},
    }
    second = {
        "resourceType": "Observation",
        "status": "amended",
        "code": {"text": "b"},
        "subject": {"reference": "Group/2"},
        "effectiveDateTime": "2026-02-04T10:00:00Z",
        "valueQuantity": {"value": 7, "unit": "m"},
    }
    assert not any(arbiter_issues(found) for found in walked(first, "Observation").found)
    assert known_shapes() == 1
    assert not any(arbiter_issues(found) for found in walked(second, "Observation").found)
    assert known_shapes() == 1


def observation_of_depth(levels: int) -> Json:
    extension: Json = {"url": "http://example.org/x", "valueCode": "a"}
    for _ in range(levels):
        extension = {"url": "http://example.org/x", "extension": [extension]}
    return {"resourceType": "Observation", "status": "final", "code": {"text": "a"}, "extension": [extension]}


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    forget_shapes()
    monkeypatch.setattr(shape_gate, "MAX_SHAPES", 3)
    for levels in range(6):
        assert not any(arbiter_issues(found) for found in walked(observation_of_depth(levels), "Observation").found)
    assert known_shapes() == 3
    monkeypatch.setattr(shape_gate, "MAX_SHAPE_PARTS", 20)
    forget_shapes()
    arbiter_issues(walked(observation_of_depth(12), "Observation").found[-1])
    assert known_shapes() == 0


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("effectiveInstant", "2016-12-31T23:59:60Z"),
        ("effectiveDateTime", "2026-02-03T10:00:00.123456789Z"),
    ],
)
def test_where_the_shape_does_not_tell_all_nothing_is_remembered(key: str, value: Any) -> None:
    forget_shapes()
    resource = {"resourceType": "Observation", "status": "final", "code": {"text": "a"}, key: value}
    for found in walked(resource, "Observation").found:
        arbiter_issues(found)
    assert known_shapes() == 0


def reachable() -> set[str]:
    """The checked resource types and every datatype that they use, directly or not."""
    found: set[str] = set()
    waiting = list(VALIDATED_TYPES)
    while waiting:
        name = waiting.pop()
        if name not in found and name not in PRIMITIVES and name != "SimpleQuantity":
            found.add(name)
            waiting += [code for element in definitions.elements(name).values() for code in element.types]
    return found - {"Resource"}


def model_fields(path: str) -> dict[str, Any]:
    """JSON key to field of the R4B model behind a path such as Observation.component."""
    steps = path.split(".")
    module = import_module(f"fhir.resources.R4B.{steps[0].lower()}")
    model = getattr(module, "".join(step[0].upper() + step[1:] for step in steps))
    skipped = ("fhir_comments", "resource_type", "resourceType")
    return {field.alias or name: field for name, field in model.model_fields.items() if name not in skipped}


@pytest.mark.parametrize("name", sorted(reachable()))
def test_r4b_models_have_the_elements_of_r4(name: str) -> None:
    """The canary: once these differ, R4B no longer stands for R4, and the gate needs another arbiter."""
    declared = list(definitions.elements(name).values())
    for root in {element.parent for element in declared} - {""}:
        properties = dict(json_properties([element for element in declared if element.parent == root]))
        fields = model_fields(root)
        if name == "Extension":
            spared = {key for key in properties if re.match("_value[A-Z]|valueMeta$", key)}
            properties = {key: value for key, value in properties.items() if key not in spared}
            fields = {key: field for key, field in fields.items() if not re.match("value(CodeableRef|RatioR)", key)}
        assert fields.keys() == properties.keys(), root
        lists = {key for key, (element, _) in properties.items() if element.most != 1}
        assert {key for key, field in fields.items() if is_list_type(field)} == lists, root


def test_one_module_alone_imports_the_arbiter() -> None:
    pattern = re.compile(r"fhir\.resources\.R4B|from fhir[. ]|import fhir\b|fhir_core")
    users = [path.name for path in (ROOT / "service").rglob("*.py") if pattern.search(path.read_text())]
    assert users == ["shape_gate.py"]
