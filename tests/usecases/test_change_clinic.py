"""The clinic's own rates and errors of measurement, from its file."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.domain.anatomy import Site
from service.domain.change.comparable import Trajectory
from service.domain.change.plateau import WORTHWHILE
from service.domain.change.verdict import covers_raters
from service.errors import Misconfigured
from service.usecases.change_clinic import change_rules_of

ERROR = {
    "measure": "total-active-motion", "sem": 7.5, "unit": "deg", "raters": "different", "population": "invented people",
    "method": "goniometer", "source": "30 pairs of repeats",
}  # fmt: skip


def rules(tmp_path: Path, said: Any) -> Any:
    file = tmp_path / "change.json"
    file.write_text(said if isinstance(said, str) else json.dumps(said))
    return change_rules_of(file)


def line(**more: Any) -> Trajectory:
    given = {"key": ("total-active-motion",), "measure": "total-active-motion", "title": "t", "unit": "deg",
             "site": Site("right", "ring"), "conditions": {}, "better": "more", "points": ()}  # fmt: skip
    return Trajectory(**{**given, **more})


def test_without_a_file_the_proposals_of_the_record_stand() -> None:
    found = change_rules_of(None)
    assert found.rates == WORTHWHILE
    assert found.most_points == 5
    assert found.applied(line()).errors == ()
    assert all("a proposal of this record" in rate.source for rate in found.rates.values())


def test_the_clinics_own_numbers_stand_in_place_of_others(tmp_path: Path) -> None:
    found = rules(tmp_path, {"worthwhile": {"joint-motion": {"amount": 2, "unit": "deg"}}, "errors": [ERROR]})
    assert found.rates["joint-motion"].amount == 2
    assert rules(tmp_path, {"review_points": 2}).most_points == 2
    assert found.rates["grip-summary"] == WORTHWHILE["grip-summary"]
    (own,) = found.applied(line()).errors
    assert (own.low, own.high, own.unit) == (Decimal("7.5"), Decimal("7.5"), "deg")
    assert covers_raters(own)
    assert own.source == "the clinic's own: 30 pairs of repeats"
    assert found.applied(line(unit="kgf")).errors == ()
    assert found.applied(line(key=("grip-summary",), measure="grip-summary")).errors == ()


def test_the_clinics_own_error_within_examiners_is_none_between(tmp_path: Path) -> None:
    (own,) = rules(tmp_path, {"errors": [{**ERROR, "raters": "same"}]}).applied(line()).errors
    assert not covers_raters(own)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"worthwhile": {"grip-of-nobody": {"amount": 2, "unit": "deg"}}}, "is not followed over time"),
        ({"worthwhile": {"joint-motion": {"amount": 0, "unit": "deg"}}}, "above 0"),
        ({"worthwhile": {"joint-motion": {"amount": 2, "unit": "degrees"}}}, "not a unit this record knows"),
        ({"errors": [{**ERROR, "measure": "x"}]}, "is not followed over time"),
        ({"errors": [{**ERROR, "raters": "both"}]}, "not one of the answers"),
        ({"review_points": 0}, "At least one review point is shown"),
        ({"rates": {}}, "Nothing is called 'rates' here"),
        ("[", "JSON"),
    ],
)
def test_a_file_that_cannot_be_used_says_why(tmp_path: Path, said: Any, words: str) -> None:
    with pytest.raises(Misconfigured) as refused:
        rules(tmp_path, said)
    assert words in str(refused.value)
    assert all(issue.where.startswith("HANDRECORD_CHANGE_FILE") for issue in refused.value.issues)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(Misconfigured, match="cannot be read"):
        change_rules_of(tmp_path / "none.json")
