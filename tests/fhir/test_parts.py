"""What makes two parts of resources the same."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from service.fhir.parts import bytes_of, part_of
from service.fhir.search_parameters import index
from service.fhir.validation import issues_of

CODED: dict[str, Any] = {"coding": [{"system": "https://clinic.example/codes", "code": "a"}], "text": "a"}


def observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": CODED, **more}


def test_a_part_comes_back_as_it_was() -> None:
    assert part_of(bytes_of(CODED)) == CODED


def test_texts_that_are_equal_but_not_one_object_have_the_same_bytes() -> None:
    assert bytes_of({"code": "".join(["co", "de"])}) == bytes_of({"code": "code"})


@pytest.mark.parametrize(
    ("one", "other"), [(1, 1.0), (1, True), (0, False), ([1], (1,)), ("1", 1), ({"a": 1, "b": 2}, {"b": 2, "a": 1})]
)
def test_what_differs_in_type_or_order_has_other_bytes(one: object, other: object) -> None:
    assert bytes_of(one) != bytes_of(other)


@pytest.mark.parametrize("part", [Decimal("1.50"), {"value": Decimal(1)}, object(), "x" * 2000])
def test_what_is_exact_or_long_or_no_json_has_none(part: object) -> None:
    assert bytes_of(part) == b""


def test_a_number_that_is_right_lets_none_of_another_type_pass() -> None:
    assert issues_of(observation(valueQuantity={"value": 1})) == []
    assert issues_of(observation(valueQuantity={"value": Decimal("1.0")})) == []
    assert [issue.where for issue in issues_of(observation(valueQuantity={"value": 1.0}))] == [
        "Observation.valueQuantity.value"
    ]
    assert issues_of(observation(valueQuantity={"value": True})) != []


def test_a_reference_to_what_is_contained_is_judged_in_each_resource_anew() -> None:
    pointing = observation(subject={"reference": "#p"})
    held = {"resourceType": "Patient", "id": "p", "active": True}
    for _ in range(2):
        assert issues_of({**pointing, "contained": [held]}) == []
        assert [issue.rule for issue in issues_of(pointing)] == ["ref-1"]


def test_what_is_wrong_is_told_each_time_with_its_place() -> None:
    wrong = observation(category=[CODED, {"coding": [{"kode": "a"}]}])
    told = [[issue.where for issue in issues_of(wrong)] for _ in range(3)]
    assert told == [["Observation.category[1].coding[0].kode"]] * 3


def test_the_same_element_of_two_types_is_indexed_for_each() -> None:
    for kind in ("Condition", "Procedure", "Condition"):
        found = index({"resourceType": kind, "id": "1", "subject": {"reference": "Patient/7"}, "code": CODED})
        assert found.patient == "7"
        assert {row.parameter for row in found.rows} == {"subject", "patient", "code", "code:text"}
