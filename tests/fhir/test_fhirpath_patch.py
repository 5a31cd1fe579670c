"""FHIRPath Patch: the kinds of case of the official R4 tests, and what the standard's page refuses.

The cases are those of github.com/FHIR/fhir-test-cases, r4/patch/fhir-path-tests.xml, by their names there, stated anew
with values of our own; the rules beside them are those of https://hl7.org/fhir/R4/fhirpatch.html.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from service.errors import Invalid
from service.fhir.fhirpath_patch import apply, parse
from service.fhir.text import Json


def operation(kind: str, path: str, value: Any = None, **parts: Any) -> Json:
    """One operation; a dict value is a whole part, a pair is the key of a value and the value."""
    listed = [{"name": "type", "valueCode": kind}, {"name": "path", "valueString": path}]
    for name, part in parts.items():
        listed.append({"name": name, ("valueInteger" if isinstance(part, int) else "valueString"): part})
    if value is not None:
        listed.append({"name": "value", **value})
    return {"name": "operation", "part": listed}


def patched(resource: Json, *operations: Json) -> Json:
    parameters: Json = {"resourceType": "Parameters"}
    if operations:
        parameters["parameter"] = list(operations)
    return apply({"resourceType": "Patient", **resource}, parse(parameters))


def numbers(*listed: int) -> Json:
    return {"identifier": [{"system": "urn:s", "value": f"{number}"} for number in listed]}


MOVES: list[tuple[str, list[tuple[int, int]], list[int]]] = [
    ("Reorder List #1", [(3, 1)], [1, 4, 2, 3]),
    ("Reorder List #2", [(3, 0)], [4, 1, 2, 3]),
    ("Reorder List #3", [(3, 2)], [1, 2, 4, 3]),
    ("Reorder List #4", [(0, 3)], [2, 3, 4, 1]),
    ("Reorder List #5", [(1, 0), (2, 1)], [2, 3, 1, 4]),
    ("Reorder List #6", [(3, 0), (3, 1), (3, 2)], [4, 3, 2, 1]),
]


@pytest.mark.parametrize(("name", "moves", "order"), MOVES)
def test_lists_are_put_in_order(name: str, moves: list[tuple[int, int]], order: list[int]) -> None:
    operations = [operation("move", "Patient.identifier", source=one, destination=other) for one, other in moves]
    assert patched(numbers(1, 2, 3, 4), *operations) == {"resourceType": "Patient", **numbers(*order)}, name


TEXT = {"contact": [{"name": {"text": "one"}, "gender": "male"}]}
NEW = {"valueIdentifier": {"system": "urn:s", "value": "9"}}
CASES: list[tuple[str, Json, list[Json], Json]] = [
    ("No Difference", {"birthDate": "1950-02-03"}, [], {"birthDate": "1950-02-03"}),
    (
        "Replace Primitive",
        {"birthDate": "1950-02-03"},
        [operation("replace", "Patient.birthDate", {"valueDate": "1951-02-03"})],
        {"birthDate": "1951-02-03"},
    ),
    ("Delete Primitive", {"birthDate": "1950-02-03"}, [operation("delete", "Patient.birthDate")], {}),
    (
        "Add Primitive",
        {},
        [operation("add", "Patient", {"valueDate": "1951-02-03"}, name="birthDate")],
        {"birthDate": "1951-02-03"},
    ),
    (
        "Replace Nested Primitive #1",
        TEXT,
        [operation("replace", "Patient.contact[0].gender", {"valueCode": "female"})],
        {"contact": [{"name": {"text": "one"}, "gender": "female"}]},
    ),
    (
        "Replace Nested Primitive #2",
        TEXT,
        [operation("replace", "Patient.contact[0].name.text", {"valueString": "two"})],
        {"contact": [{"name": {"text": "two"}, "gender": "male"}]},
    ),
    (
        "Delete Nested Primitive #1",
        TEXT,
        [operation("delete", "Patient.contact[0].gender")],
        {"contact": [{"name": {"text": "one"}}]},
    ),
    (
        "Delete Nested Primitive #2",
        TEXT,
        [operation("delete", "Patient.contact[0].name.text")],
        {"contact": [{"gender": "male"}]},
    ),
    (
        "Add Nested Primitive",
        {"contact": [{"name": {"text": "one"}}]},
        [operation("add", "Patient.contact[0]", {"valueCode": "male"}, name="gender")],
        TEXT,
    ),
    (
        "Add Complex",
        {},
        [operation("add", "Patient", {"valueCodeableConcept": {"text": "a"}}, name="maritalStatus")],
        {"maritalStatus": {"text": "a"}},
    ),
    (
        "Replace Complex",
        {"maritalStatus": {"id": "1", "text": "a"}},
        [operation("replace", "Patient.maritalStatus", {"valueCodeableConcept": {"id": "2", "text": "b"}})],
        {"maritalStatus": {"id": "2", "text": "b"}},
    ),
    ("Delete Complex", {"maritalStatus": {"text": "a"}}, [operation("delete", "Patient.maritalStatus")], {}),
    (
        "Add Anonymous Type",
        {},
        [operation("add", "Patient", {"part": [{"name": "name", "valueHumanName": {"text": "one"}}]}, name="contact")],
        {"contact": [{"name": {"text": "one"}}]},
    ),
    ("Delete Anonymous Type", {"contact": [{"name": {"text": "x"}}]}, [operation("delete", "Patient.contact[0]")], {}),
    (
        "List unchanged, contents changed",
        numbers(1, 2),
        [
            operation("replace", "Patient.identifier[0].value", {"valueString": "2"}),
            operation("replace", "Patient.identifier[1].value", {"valueString": "1"}),
        ],
        numbers(2, 1),
    ),
    ("Add to list", numbers(1, 2), [operation("insert", "Patient.identifier", NEW, index=2)], numbers(1, 2, 9)),
    ("Insert in list #1", numbers(1, 2), [operation("insert", "Patient.identifier", NEW, index=1)], numbers(1, 9, 2)),
    ("Insert in list #2", numbers(1, 2), [operation("insert", "Patient.identifier", NEW, index=0)], numbers(9, 1, 2)),
    ("Delete from List #1", numbers(1, 2, 3), [operation("delete", "Patient.identifier[0]")], numbers(2, 3)),
    ("Delete from List #2", numbers(1, 2, 3), [operation("delete", "Patient.identifier[1]")], numbers(1, 3)),
    ("Delete from List #3", numbers(1, 2, 3), [operation("delete", "Patient.identifier[2]")], numbers(1, 2)),
    ("Operation on missing element #2", {}, [operation("add", "Patient", NEW, name="identifier")], numbers(9)),
]


@pytest.mark.parametrize(("name", "before", "operations", "after"), CASES, ids=[case[0] for case in CASES])
def test_a_case_of_the_official_kind(name: str, before: Json, operations: list[Json], after: Json) -> None:
    assert patched(before, *operations) == {"resourceType": "Patient", **after}


def test_an_operation_on_an_element_that_is_missing_is_refused() -> None:
    """`Operation on missing element`: adding to what is not there."""
    before = {"identifier": [{"use": "official", "value": "1"}]}
    path = "Patient.identifier.where(use = 'official').period"
    with pytest.raises(Invalid, match="nothing at this path"):
        patched(before, operation("add", path, {"valueDate": "2021-12-01"}, name="end"))


NAMES = {"name": [{"use": "official", "given": ["A", "B"]}, {"use": "usual", "text": "x, 'and' y"}], "active": True}


def test_paths_lead_where_they_say() -> None:
    def replaced(path: str) -> Json:
        return patched(NAMES, operation("replace", path, {"valueString": "new"}))["name"]

    new: list[Json] = [{"use": "official", "given": ["A", "new"]}, NAMES["name"][1]]
    for path in (
        "Patient.name.where(use = 'official').given[1]",
        "name[0].given[1]",
        "Patient.name.first().given.last()",
        "Patient.name.where(use='official' and given.exists()).single().given[1]",
        "Patient.name.given[1]",
    ):
        assert replaced(path) == new, path
    assert replaced("Patient.name.where(use = 'usual').text")[1]["text"] == "new"


def test_a_choice_is_known_by_its_stem_and_its_type() -> None:
    quantity = {"value": Decimal("1.50"), "unit": "cm"}
    before = {"resourceType": "Observation", "valueQuantity": quantity, "component": [{"code": {"text": "a"}}]}

    def applied(*operations: Json) -> Json:
        return apply(before, parse({"resourceType": "Parameters", "parameter": list(operations)}))

    assert applied(operation("replace", "Observation.value.unit", {"valueString": "mm"}))["valueQuantity"] == {
        "value": Decimal("1.50"),
        "unit": "mm",
    }
    for path in ("Observation.value", "Observation.valueQuantity", "Observation.value.ofType(Quantity)"):
        changed = applied(operation("replace", path, {"valueString": "long"}))
        assert changed["valueString"] == "long"
        assert "valueQuantity" not in changed
    assert applied(operation("delete", "Observation.value.ofType(string)")) == before
    added = applied(operation("add", "Observation.component[0]", {"valueBoolean": True}, name="value"))
    assert added["component"] == [{"code": {"text": "a"}, "valueBoolean": True}]
    made = {"part": [{"name": "code", "valueCodeableConcept": {"text": "b"}}, {"name": "value", "valueInteger": 3}]}
    added = applied(operation("add", "Observation", made, name="component"))
    assert added["component"][1] == {"code": {"text": "b"}, "valueInteger": 3}
    assert before["valueQuantity"] == quantity


def test_extensions_of_primitives_stay_beside_them() -> None:
    before = {"name": [{"given": ["A", "B", "C"], "_given": [None, {"id": "b"}, None]}]}
    after = patched(before, operation("delete", "Patient.name[0].given[0]"))
    assert after["name"] == [{"given": ["B", "C"], "_given": [{"id": "b"}, None]}]
    after = patched(before, operation("insert", "Patient.name[0].given", {"valueString": "Z"}, index=0))
    assert after["name"] == [{"given": ["Z", "A", "B", "C"], "_given": [None, None, {"id": "b"}, None]}]
    after = patched(before, operation("move", "Patient.name[0].given", source=1, destination=2))
    assert after["name"] == [{"given": ["A", "C", "B"], "_given": [None, None, {"id": "b"}]}]


WRONG: list[tuple[str, Json]] = [
    ("several elements", operation("replace", "Patient.name.use", {"valueCode": "old"})),
    ("everal elements", operation("delete", "Patient.name")),
    ("nothing at this path", operation("replace", "Patient.birthDate", {"valueDate": "2000"})),
    ("another type", operation("delete", "Observation.status")),
    ("whole resource", operation("delete", "Patient")),
    ("whole resource", operation("replace", "Patient", {"valueString": "x"})),
    ("no element 'colour'", operation("add", "Patient", {"valueString": "red"}, name="colour")),
    ("such an element already", operation("add", "Patient", {"valueBoolean": False}, name="active")),
    ("needs the 'name'", operation("add", "Patient", {"valueBoolean": False})),
    ("needs its 'value'", operation("add", "Patient", name="active")),
    ("needs its 'index'", operation("insert", "Patient.name", {"valueHumanName": {"text": "x"}})),
    ("behind the end", operation("insert", "Patient.name", {"valueHumanName": {"text": "x"}}, index=5)),
    ("one such element only", operation("insert", "Patient.active", {"valueBoolean": True}, index=0)),
    ("name of a list", operation("insert", "Patient.name[0]", {"valueHumanName": {"text": "x"}}, index=0)),
    ("no such place", operation("move", "Patient.name", source=0, destination=2)),
    ("no operation of a FHIRPath Patch", operation("test", "Patient.active")),
    ("'resolve' is not understood", operation("delete", "Patient.managingOrganization.resolve().name")),
    ("not understood", operation("delete", "Patient.name | Patient.contact.name")),
    ("not understood", operation("delete", "Patient.name.where(use != 'official')")),
    ("not understood", operation("delete", "Patient.")),
    ("longer than any", operation("delete", "Patient" + ".name" * 200)),
    ("stands alone", operation("add", "Patient", {"valueBoolean": True, "valueString": "x"}, name="active")),
    ("cannot have a value of this type", operation("add", "Patient", {"valueInstant": "x"}, name="deceased")),
]


@pytest.mark.parametrize(("message", "step"), WRONG)
def test_what_cannot_be_done_is_refused(message: str, step: Json) -> None:
    with pytest.raises(Invalid, match=message):
        patched(NAMES, step)


def test_what_is_no_patch_is_refused() -> None:
    for body in ({}, {"resourceType": "Patient"}, {"resourceType": "Parameters", "parameter": {}}):
        with pytest.raises(Invalid, match="Parameters resource"):
            parse(body)
    for parameter in (None, {"name": "op"}, {"name": "operation"}, {"name": "operation", "part": [1]}):
        with pytest.raises(Invalid, match="operation"):
            parse({"resourceType": "Parameters", "parameter": [parameter]})
    twice = operation("delete", "Patient.active")
    twice["part"].append({"name": "path", "valueString": "Patient.name"})
    with pytest.raises(Invalid, match="each of its parts once"):
        parse({"resourceType": "Parameters", "parameter": [twice]})
    with pytest.raises(Invalid):
        parse({"resourceType": "Parameters", "parameter": [twice] * 501})
