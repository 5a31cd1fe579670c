"""What was found right once is known again: only the very same texts, never what merely resembles them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from service.fhir.structure import _MOST_SOUND, object_reader
from service.fhir.validation import issues_of

GOOD = {"system": "https://example.org/codes", "code": "a", "display": "A"}


def remembered() -> dict[tuple[str, ...], Any]:
    """What is known of the codings of a concept that have just a code."""
    plan = object_reader("Coding", "Coding", (), None, "")._plans[("code",)]
    assert plan.sound is not None
    return plan.sound


def observation(coding: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"coding": [coding]}}


@pytest.mark.parametrize(
    "changed",
    [
        {"code": " a"}, {"code": ""}, {"code": 1}, {"code": True}, {"code": Decimal("1.0")}, {"code": ["a"]},
        {"code": {"a": "a"}}, {"code": None}, {"system": "not a uri"}, {"display": "\x07"}, {"display": " "},
    ],
)  # fmt: skip
def test_a_change_of_one_value_is_seen_after_the_good_one(changed: dict[str, Any]) -> None:
    assert issues_of(observation(GOOD)) == []
    before = [issue.where for issue in issues_of(observation(GOOD | changed))]
    assert before == [f"Observation.code.coding[0].{next(iter(changed))}"]
    assert issues_of(observation(GOOD)) == []
    assert [issue.where for issue in issues_of(observation(GOOD | changed))] == before


def test_true_is_not_one_and_a_number_is_no_text() -> None:
    assert issues_of(observation({"code": "1"})) == []
    for value in (1, True, Decimal(1)):
        assert issues_of(observation({"code": value}))


def test_the_same_texts_under_other_names_are_judged_by_those() -> None:
    assert issues_of(observation({"code": "a", "display": "a b"})) == []
    assert issues_of(observation({"display": "a", "system": "a b"}))


def test_memory_is_bounded() -> None:
    for number in range(_MOST_SOUND + 10):
        assert issues_of(observation({"code": f"c{number}"})) == []
    assert 0 < len(remembered()) <= _MOST_SOUND


def test_long_texts_are_not_remembered() -> None:
    long = "c" * 300
    assert issues_of(observation({"code": long})) == []
    assert (long,) not in remembered()
