"""What leaves for research: nothing that a person wrote, no date under profile S, intervals only under profile L."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.fhir.deidentify import LEAVING, OLDEST, Around, deidentified
from service.fhir.deidentify_codes import may_leave
from service.fhir.research_extensions import DAYS, FIRST_YEAR, OVER_89
from service.fhir.text import dump, parse
from service.fhir.validation import issues_of

ROOT = Path(__file__).parents[2]
OFFICIAL = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "r4-examples"
FIRST = date(2026, 1, 5)
UNTIL = date(2026, 6, 30)
DATE = re.compile(r"\d{4}-\d{2}")
MARK = "ZZ-INVENTED-MARK"


def pseudonym(kind: str, ident: str) -> str | None:
    return f"p{sum(map(ord, kind + ident))}" if kind in LEAVING else None


def around(profile: Any = "S", weeks: int = 30, until: date = UNTIL) -> Around:
    return Around(profile, FIRST, until, weeks, pseudonym)


def resources() -> Iterator[tuple[str, Any]]:
    """HL7's own examples, and this project's."""
    for folder in (OFFICIAL, ROOT / "examples"):
        for file in sorted(folder.rglob("*.json")):
            resource = parse(file.read_bytes())
            if resource.get("resourceType") in LEAVING:
                yield file.name, {"id": file.stem, **resource}


RESOURCES = dict(resources())

if not OFFICIAL.exists():
    pytest.skip(f"the official examples are not at {OFFICIAL}", allow_module_level=True)


def test_there_are_examples_of_every_type_that_leaves() -> None:
    assert {each["resourceType"] for each in RESOURCES.values()} == set(LEAVING)


@pytest.mark.parametrize("profile", ["S", "L"])
def test_what_leaves_is_valid_r4(profile: str) -> None:
    for name, resource in RESOURCES.items():
        left = deidentified(resource, around(profile))
        assert left, name
        assert [str(i) for i in issues_of(left) if i.severity == "error"] == [], name


def test_under_s_no_date_leaves() -> None:
    for name, resource in RESOURCES.items():
        assert not DATE.search(dump(deidentified(resource, around()) or {}).decode()), name


def marked(node: Any, spared: Callable[[str, str], bool], key: str = "") -> Any:
    """The same structure with a mark in place of every text, but for dates and what is spared."""
    if isinstance(node, dict):
        return {name: marked(child, spared, name) for name, child in node.items()}
    if isinstance(node, list):
        return [marked(child, spared, key) for child in node]
    if isinstance(node, str) and not re.match(r"\d{4}(-|$)", node) and not spared(key, node):
        return MARK
    return node


SPARED: dict[str, Callable[[str, str], bool]] = {
    "every text": lambda key, _: key == "resourceType",
    "all but addresses": lambda key, _: key in ("resourceType", "system", "url", "profile"),
    "all but addresses and codes": lambda key, _: key in ("resourceType", "system", "url", "code", "status", "intent"),
    "what people write": lambda key, _: (
        key
        not in (
            "display",
            "text",
            "family",
            "given",
            "value",
            "unit",
            "div",
            "id",
            "lotNumber",
            "serialNumber",
            "title",
        )
    ),
}


@pytest.mark.parametrize("profile", ["S", "L"])
@pytest.mark.parametrize("spared", SPARED.values(), ids=SPARED)
def test_no_text_of_a_persons_own_leaves(spared: Callable[[str, str], bool], profile: str) -> None:
    for name, resource in RESOURCES.items():
        left = deidentified(marked(resource, spared), around(profile))
        assert MARK not in dump(left or {}).decode(), name


@pytest.mark.parametrize(
    "element",
    ["identifier", "text", "contained", "note", "issued", "performer", "device", "language", "implicitRules"],
)
def test_what_never_leaves(element: str) -> None:
    assert not [kind for kind, names in LEAVING.items() if element in names and (kind, element) != _USED]


_USED = ("DeviceUseStatement", "device")
"""Which orthosis was used is the point of the statement; the Device itself leaves without serial, lot or name."""


def observation(**more: Any) -> Any:
    return {
        "resourceType": "Observation",
        "id": "o",
        "meta": {"versionId": "7", "lastUpdated": "2026-03-02T10:00:00Z", "tag": [{"code": MARK}]},
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "83173-5", "display": MARK}], "text": MARK},
        "subject": {"reference": "Patient/a", "display": MARK},
        "effectiveDateTime": "2026-03-02T09:30:00+01:00",
        "performer": [{"display": MARK}],
        "valueQuantity": {
            "value": Decimal("31.50"), "unit": MARK, "system": "http://unitsofmeasure.org", "code": "kgf",
        },
    } | more  # fmt: skip


def test_a_date_becomes_days_under_s_and_moves_by_weeks_under_l() -> None:
    assert deidentified(observation(), around()) == {
        "resourceType": "Observation",
        "id": pseudonym("Observation", "o"),
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "83173-5"}]},
        "subject": {"reference": f"Patient/{pseudonym('Patient', 'a')}"},
        "extension": [{"url": DAYS.url, "valueInteger": 56}],
        "_effectiveDateTime": {"extension": [{"url": DAYS.url, "valueInteger": 56}]},
        "valueQuantity": {
            "value": Decimal("31.50"), "unit": "kilogram-force", "system": "http://unitsofmeasure.org", "code": "kgf",
        },
    }  # fmt: skip
    moved = deidentified(observation(), around("L", weeks=-26)) or {}
    assert moved["effectiveDateTime"] == "2025-09-01"


@given(first=st.dates(date(2000, 1, 1), date(2030, 1, 1)), second=st.dates(date(2000, 1, 1), date(2030, 1, 1)),
       weeks=st.integers(-200, 200))  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_intervals_and_weekdays_stay_under_l(first: date, second: date, weeks: int) -> None:
    kept = [
        date.fromisoformat((deidentified(observation(effectiveDateTime=day.isoformat()), around("L", weeks)) or {})[
            "effectiveDateTime"
        ])
        for day in (first, second)
    ]  # fmt: skip
    assert kept[1] - kept[0] == second - first
    assert (kept[0].weekday(), (kept[0] - first).days) == (first.weekday(), 7 * weeks)


def test_partial_dates_and_unknown_units_stay_behind() -> None:
    left = deidentified(observation(effectiveDateTime="2026-03"), around("L")) or {}
    assert "effectiveDateTime" not in left
    odd = {"value": Decimal(3), "unit": MARK, "code": MARK, "system": "http://unitsofmeasure.org"}
    assert "valueQuantity" not in (deidentified(observation(valueQuantity=odd), around()) or {})


@pytest.mark.parametrize(("born", "told"), [("1936-06-30", None), ("1937-01-01", "1937"), ("1937", "1937")])
def test_ages_above_the_limit_are_one_group(born: str, told: str | None) -> None:
    """45 CFR 164.514(b)(2)(i)(C): ages over 89, and all elements of dates that tell of such an age, are one group."""
    patient = {"resourceType": "Patient", "id": "a", "birthDate": born, "name": [{"family": MARK}], "gender": "female"}
    left = deidentified(patient, around()) or {}
    assert left.get("birthDate") == told
    over = {"url": OVER_89.url, "valueBoolean": True}
    assert (over in left["extension"]) is (told is None)
    assert {"url": FIRST_YEAR.url, "valueInteger": 2026} in left["extension"]
    assert UNTIL.year - int(born[:4]) > OLDEST or told


def test_what_points_outside_the_release_is_masked_or_gone() -> None:
    left = deidentified(observation(subject={"reference": "Group/g"}, encounter={"reference": "Location/l"}), around())
    assert left
    assert "subject" not in left
    assert "encounter" not in left
    flag = {"resourceType": "Flag", "id": "f", "status": "active", "code": {"text": MARK}}
    left = deidentified(flag | {"subject": {"reference": "Location/l"}}, around()) or {}
    masked = [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "masked"}]
    assert (left["code"], left["subject"]) == ({"extension": masked}, {"extension": masked})


@pytest.mark.parametrize("kind", ["Practitioner", "Location", "Media", "Provenance", "DocumentReference", "Task"])
def test_types_that_are_not_listed_stay_behind(kind: str) -> None:
    assert deidentified({"resourceType": kind, "id": "a"}, around()) is None


@pytest.mark.parametrize(
    ("system", "code", "leaves"),
    [
        ("http://loinc.org", "83173-5", True), ("http://loinc.org", "83173-4", False),
        ("http://loinc.org", "Ida", False), ("http://snomed.info/sct", "368009", True),
        ("http://snomed.info/sct", "368008", False), ("http://unitsofmeasure.org", "kgf", True),
        ("http://unitsofmeasure.org", "{Ida}", False), ("https://clinic.example/codes", "a", False),
        ("http://hl7.org/fhir/sid/icd-10", "S63.6", True), ("http://hl7.org/fhir/sid/icd-10", "Ida", False),
    ],
)  # fmt: skip
def test_which_codes_leave(system: str, code: str, leaves: bool) -> None:
    """LOINC and SNOMED CT by their check digits (LOINC Users' Guide; SNOMED CT Technical Implementation Guide)."""
    assert may_leave(system, code) is leaves
