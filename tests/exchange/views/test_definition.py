"""What is wrong in a ViewDefinition is told before any row is made, with its place."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Invalid
from service.exchange.views.definition import read_view
from service.exchange.views.runner import rows

COLUMN = {"name": "id", "path": "id"}
SELECT = "ViewDefinition.select[0]"


def view(select: Any = None, **more: Any) -> dict[str, Any]:
    return {"resource": "Patient", "select": [select or {"column": [COLUMN]}], **more}


def column(path: Any, **more: Any) -> dict[str, Any]:
    return {"column": [{"name": "a", "path": path, **more}]}


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "no type": ({"select": [{"column": [COLUMN]}]}, "ViewDefinition.resource"),
    "unknown type": (view(resource="Pateint"), "ViewDefinition.resource"),
    "no select": ({"resource": "Patient"}, "ViewDefinition.select"),
    "select that is no list": ({"resource": "Patient", "select": {"column": [COLUMN]}}, "ViewDefinition.select"),
    "select of nothing": (view({"forEach": "name"}), SELECT),
    "misspelt element": (view({"colum": [COLUMN]}), f"{SELECT}.colum"),
    "misspelt element of a column": (view({"column": [{**COLUMN, "typ": "id"}]}), f"{SELECT}.column[0].typ"),
    "column without a name": (view({"column": [{"path": "id"}]}), f"{SELECT}.column[0].name"),
    "name that is none": (view({"column": [{"name": "1a", "path": "id"}]}), f"{SELECT}.column[0].name"),
    "column without a path": (view({"column": [{"name": "a"}]}), f"{SELECT}.column[0].path"),
    "path that is no text": (view(column(1)), f"{SELECT}.column[0].path"),
    "collection that is no boolean": (view(column("id", collection="yes")), f"{SELECT}.column[0].collection"),
    "type that is no text": (view(column("id", type=1)), f"{SELECT}.column[0].type"),
    "two of one name": (view({"column": [COLUMN, COLUMN]}), "ViewDefinition.select"),
    "two iterations": (view({"forEach": "name", "forEachOrNull": "name", "column": [COLUMN]}), SELECT),
    "repeat that is no list": (view({"repeat": "name", "column": [COLUMN]}), f"{SELECT}.repeat"),
    "union of unlike columns": (
        view({"unionAll": [{"column": [COLUMN]}, {"column": [{"name": "b", "path": "id"}]}]}), f"{SELECT}.unionAll[1]",
    ),
    "text after an expression": (view(column("id gender")), f"{SELECT}.column[0].path"),
    "half an expression": (view(column("name.")), f"{SELECT}.column[0].path"),
    "bracket that stays open": (view(column("name.where(use = 'usual'")), f"{SELECT}.column[0].path"),
    "no character of FHIRPath": (view(column("id ; id")), f"{SELECT}.column[0].path"),
    "unknown element": (view(column("name.famly")), f"{SELECT}.column[0].path"),
    "unknown element of a condition": (view(column("name.where(usee = 'usual').family")), f"{SELECT}.column[0].path"),
    "unknown element below forEach": (
        view({"forEach": "contact", "column": [{"name": "a", "path": "birthDate"}]}), f"{SELECT}.column[0].path",
    ),
    "unknown element of a choice": (
        view(column("value.ofType(Quantity).valeu"), resource="Observation"), f"{SELECT}.column[0].path",
    ),
    "unknown function": (view(column("name.frist()")), f"{SELECT}.column[0].path"),
    "too many arguments": (view(column("name.first(1)")), f"{SELECT}.column[0].path"),
    "unknown constant": (view(column("name.where(use = %use)")), f"{SELECT}.column[0].path"),
    "constant without a value": (view(constant=[{"name": "use"}]), "ViewDefinition.constant[0]"),
    "constant of two values": (
        view(constant=[{"name": "use", "valueCode": "a", "valueString": "b"}]), "ViewDefinition.constant[0]",
    ),
    "constant of a taken name": (
        view(constant=[{"name": "rowIndex", "valueInteger": 1}]), "ViewDefinition.constant[0].name",
    ),
    "filter without a path": (view(where=[{}]), "ViewDefinition.where[0].path"),
    "filter of an unknown element": (view(where=[{"path": "activ = true"}]), "ViewDefinition.where[0].path"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(WRONG))
def test_what_is_wrong_is_told_with_its_place(name: str) -> None:
    definition, place = WRONG[name]
    with pytest.raises(Invalid) as refused:
        read_view(definition)
    assert place in {issue.where for issue in refused.value.issues}
    assert all(issue.message.endswith((".", "?")) for issue in refused.value.issues)


def test_everything_that_is_wrong_is_told_at_once() -> None:
    with pytest.raises(Invalid) as refused:
        read_view(view({"column": [{"name": "1", "path": "nme"}, {"name": "b", "path": "x.y("}]}))
    assert len(refused.value.issues) == 3


def test_selects_nested_without_end_are_refused() -> None:
    select: dict[str, Any] = {"column": [COLUMN]}
    for _ in range(50):
        select = {"select": [select]}
    with pytest.raises(Invalid):
        read_view(view(select))


PATIENT: dict[str, Any] = {
    "resourceType": "Patient", "id": "p", "birthDate": "1970-06", "_birthDate": {"extension": [{"url": "a"}]},
    "name": [{"given": ["A", "B"]}, {"given": ["C"]}],
    "extension": [{"url": "u", "valueString": "x"}, {"url": "u", "valueString": "y"}],
}  # fmt: skip


@pytest.mark.parametrize(
    ("path", "found"),
    [
        ("birthDate", ["1970-06"]),  # not the extensions beside it
        ("name.given", ["A", "B", "C"]),
        ("name.select(given.first())", ["A", "C"]),
        ("extension('u').value", ["x", "y"]),  # FHIR R4, 2.1.9.1.5: short for extension.where(url = …)
        ("name[1].given", ["C"]),
        ("$this.id", ["p"]),
        ("Patient.name.count()", [2]),
        ("name.given.exists($this = 'C')", [True]),
        ("(name | name).count()", [2]),
        ("iif(name.count() > 1, 'several', 'one')", ["several"]),
        ("generalPractitioner.getReferenceKey()", []),
    ],
)
def test_expressions_find(path: str, found: list[Any]) -> None:
    (row,) = rows(read_view(view(column(path, collection=True))), [PATIENT])
    assert row["a"] == found


def test_a_trace_tells_nobody(capsys: pytest.CaptureFixture[str]) -> None:
    (row,) = rows(read_view(view(column("name.family.trace('names', $this) | id.trace('id')"))), [PATIENT])
    assert row["a"] == "p"
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("name.given", "one value"),
        ("name.given.single()", ""),
        ("name.given + 1", ""),
        ("birthDate.toQuantity() + 1", ""),
    ],
)
def test_what_does_not_fit_a_resource_is_told_with_its_place(path: str, said: str) -> None:
    with pytest.raises(Invalid) as refused:
        list(rows(read_view(view(column(path))), [PATIENT]))
    (issue,) = refused.value.issues
    assert issue.where == f"{SELECT}.column[0].path"
    assert said in issue.message


@pytest.mark.parametrize("reference", ["Patient/p", "https://clinic.example/fhir/Patient/p", "Patient/p/_history/3"])
def test_keys_of_references_are_those_of_resources(reference: str) -> None:
    resource = {"resourceType": "Observation", "id": "o", "subject": {"reference": reference}}
    paths = {
        "any": "subject.getReferenceKey()",
        "own": "subject.getReferenceKey(Patient)",
        "other": "subject.getReferenceKey(Device)",
    }
    select = {"column": [{"name": name, "path": path} for name, path in paths.items()]}
    (row,) = rows(read_view(view(select, resource="Observation")), [resource])
    assert row == {"any": "p", "own": "p", "other": None}
    (patient,) = rows(read_view(view(column("getResourceKey()"))), [PATIENT])
    assert patient["a"] == row["any"]


def test_fragments_and_logical_references_have_no_key() -> None:
    for subject in ({"reference": "#a"}, {"reference": "urn:uuid:1"}, {"identifier": {"value": "1"}}, {"display": "A"}):
        resource = {"resourceType": "Observation", "subject": subject}
        (row,) = rows(read_view(view(column("subject.getReferenceKey()"), resource="Observation")), [resource])
        assert row == {"a": None}


def test_repeat_walks_down_each_before_what_is_below_it() -> None:
    item = {"linkId": "1", "item": [{"linkId": "1.1", "item": [{"linkId": "1.1.1"}]}, {"linkId": "1.2"}]}
    resource = {"resourceType": "QuestionnaireResponse", "item": [item, {"linkId": "2"}]}
    select = {"repeat": ["item"], "column": [{"name": "a", "path": "linkId"}]}
    found = rows(read_view(view(select, resource="QuestionnaireResponse")), [resource])
    assert [row["a"] for row in found] == ["1", "1.1", "1.1.1", "1.2", "2"]
