"""Every code of a public system that ships: its check digit, and that it was verified under that system.

The verified codes, each with where it was seen, are in terminology.csv beside the public test material.
"""

from __future__ import annotations

import ast
import csv
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
HCPCS = "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets"
SHAPES = {LOINC: r"\d{3,7}-\d", SNOMED: r"\d{6,18}", HCPCS: r"[A-Z]\d{4}"}
SHIPS = ("service/", "schemas/", "examples/")
# HL7's own files, cut down: another test compares them with the package they come from.
NOT_OURS = "service/fhir/definitions/"
# Used in public code for grip strength and for fingers: they fail their check digits or mean something else.
KNOWN_WRONG = ("62951-8", "62952-6", "83189-2", "83191-8", "83176-8", "43825001", "56459004")

Found = tuple[str, str, str | None]
"""A system, a code, and the display given with it."""


def loinc_check_digit_holds(code: str) -> bool:
    """Mod 10 (Luhn), as LOINC's users' guide describes it."""
    digits = [int(digit) for digit in reversed(code.replace("-", ""))]
    return sum(digits[::2]) % 10 == -sum(sum(divmod(2 * digit, 10)) for digit in digits[1::2]) % 10


def verhoeff_holds(code: str) -> bool:
    """Verhoeff's check over the dihedral group D5, as SNOMED CT's release format asks of every id."""
    check = 0
    for place, digit in enumerate(reversed(code)):
        check = _multiply(check, _permute(int(digit), place))
    return check == 0


def _multiply(a: int, b: int) -> int:
    """The product of two elements of D5: 0 to 4 are rotations, 5 to 9 reflections."""
    return (a + b) % 5 + 5 * (b >= 5) if a < 5 else (a - b) % 5 + 5 * (b < 5)


def _permute(digit: int, times: int) -> int:
    for _ in range(times % 8):
        digit = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)[digit]
    return digit


def _in_json(value: Any) -> Iterator[Found]:
    """Codes as FHIR JSON carries them: Coding and Quantity, ValueSet.compose, CodeSystem, ConceptMap."""
    if isinstance(value, list):
        for item in value:
            yield from _in_json(item)
    if isinstance(value, dict):
        if isinstance(value.get("system"), str) and isinstance(value.get("code"), str):
            yield value["system"], value["code"], value.get("display")
        for concept in value.get("concept", []):
            yield value.get("system", value.get("url")), concept["code"], concept.get("display")
        if isinstance(value.get("source"), str):
            yield from _mapped(value)
        for item in value.values():
            yield from _in_json(item)


def _mapped(group: dict[str, Any]) -> Iterator[Found]:
    """Both ends of each line of a ConceptMap's group."""
    for element in group.get("element", []):
        yield group["source"], element["code"], element.get("display")
        for target in element["target"]:
            yield group["target"], target["code"], target.get("display")


def _in_python(text: str) -> Iterator[Found]:
    """Text constants that have the shape of a code, whatever they stand in."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            for system, shape in SHAPES.items():
                if re.fullmatch(shape, node.value):
                    yield system, node.value, None


@pytest.fixture(scope="module")
def shipped(texts: dict[str, str]) -> dict[str, set[Found]]:
    """The codes of the three systems in each file that ships."""
    found = {}
    for path, text in texts.items():
        if path.startswith(SHIPS) and not path.startswith(NOT_OURS):
            codes = _in_json(json.loads(text)) if path.endswith(".json") else iter(())
            codes = _in_python(text) if path.endswith(".py") else codes
            found[path] = {code for code in codes if code[0] in SHAPES}
    return found


@pytest.fixture(scope="module")
def verified(facts: Path) -> dict[tuple[str, str], str]:
    with (facts / "terminology.csv").open(newline="", encoding="utf-8") as lines:
        return {(row["system"], row["code"]): row["display"] for row in csv.DictReader(lines)}


def test_check_digits(shipped: dict[str, set[Found]]) -> None:
    holds = {LOINC: loinc_check_digit_holds, SNOMED: verhoeff_holds, HCPCS: lambda code: True}
    wrong = [(path, code) for path, codes in shipped.items() for code in codes if not holds[code[0]](code[1])]
    assert wrong == []
    systems = {system for path, codes in shipped.items() if path.endswith(".py") for system, _, _ in codes}
    assert {LOINC, SNOMED} <= systems


def test_codes_were_verified_under_their_system(
    shipped: dict[str, set[Found]], verified: dict[tuple[str, str], str]
) -> None:
    unknown = [(path, code) for path, codes in shipped.items() for code in codes if code[:2] not in verified]
    assert unknown == []


def test_displays_are_those_of_the_system(shipped: dict[str, set[Found]], verified: dict[tuple[str, str], str]) -> None:
    wrong = [
        (path, code, verified[code[:2]])
        for path, codes in shipped.items()
        for code in codes
        if code[2] is not None and code[:2] in verified and code[2] != verified[code[:2]]
    ]
    assert wrong == []


@pytest.mark.parametrize("code", KNOWN_WRONG)
def test_known_wrong_codes_are_absent(texts: dict[str, str], code: str) -> None:
    pattern = re.compile(rf"(?<![\d-]){code}(?![\d-])")
    assert [path for path, text in texts.items() if path.startswith(SHIPS) and pattern.search(text)] == []


def test_the_checks_pass_what_was_verified_and_nothing_else(verified: dict[tuple[str, str], str]) -> None:
    """Any single digit changed is caught, by either scheme, in every verified code."""
    for system, code in verified:
        if system in (LOINC, SNOMED):
            holds = loinc_check_digit_holds if system == LOINC else verhoeff_holds
            assert holds(code), code
            at = len(code) // 2 - (code[len(code) // 2] == "-")
            assert not holds(code[:at] + str((int(code[at]) + 1) % 10) + code[at + 1 :]), code


def test_the_checks_refuse_codes_known_to_fail_them() -> None:
    refused = [code for code in KNOWN_WRONG if "-" in code and not loinc_check_digit_holds(code)]
    assert refused == ["62951-8", "62952-6", "83189-2", "83191-8"]
    assert not verhoeff_holds("43825001")


def test_codes_are_found_wherever_fhir_carries_them() -> None:
    coding = {"coding": [{"system": LOINC, "code": "1-8", "display": "x"}]}
    value_set = {"compose": {"include": [{"system": SNOMED, "concept": [{"code": "2"}]}]}}
    element = {"code": "3", "target": [{"code": "4", "equivalence": "wider"}]}
    concept_map = {"group": [{"source": LOINC, "target": SNOMED, "element": [element]}]}
    assert list(_in_json([coding, value_set, concept_map])) == [
        (LOINC, "1-8", "x"),
        (SNOMED, "2", None),
        (LOINC, "3", None),
        (SNOMED, "4", None),
    ]
    assert list(_in_python('grip = ("83173-5", "10-0-90", "E1399")')) == [
        (LOINC, "83173-5", None),
        (HCPCS, "E1399", None),
    ]
