"""Where one step of a table ends and the next begins, and how a table that is none is refused."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.domain.measurement import Quantity
from service.domain.metric import Parameters
from service.domain.metrics import METRICS, buck_gramcko_finger, buck_gramcko_thumb, louisville_grade
from service.domain.metrics.questionnaire_result import disability_score, wrist_score
from service.domain.metrics.touch_threshold_category import SCHEMES
from service.domain.norms import NORMS
from service.errors import Invalid, Issue

BUCK_GRAMCKO = "Buck-Gramcko et al., Handchirurgie 1976;8:65-69"
FINGER = {
    "points-distance": {"2.5": 6, "2.6": 4, "4": 4, "4.1": 2, "6": 2, "6.1": 0},
    "points-deficit": {"0": 3, "30": 3, "31": 2, "50": 2, "51": 1, "70": 1, "71": 0},
    "points-range": {"160": 6, "159": 4, "140": 4, "139": 2, "120": 2, "119": 0},
}
THUMB = {
    "points-flexion": {"50": 6, "49": 4, "30": 4, "29": 2, "10": 2, "9": 0},
    "points-deficit": {"0": 3, "10": 3, "11": 2, "20": 2, "21": 1, "30": 1, "31": 0},
    "points-range": {"40": 6, "39": 4, "30": 4, "29": 2, "20": 2, "19": 0},
}
GRADES = {15: "excellent", 14: "excellent", 13: "good", 11: "good", 10: "fair", 7: "fair", 6: "poor", 0: "poor"}


def steps(table: dict[str, dict[str, int]]) -> list[tuple[str, str, int]]:
    return [(name, amount, points) for name, each in table.items() for amount, points in each.items()]


@pytest.mark.published(source=BUCK_GRAMCKO, status="from memory")
@pytest.mark.parametrize(("name", "amount", "points"), steps(FINGER))
def test_points_of_a_finger_at_each_limit(name, amount, points) -> None:
    given = {"points-distance": "0", "points-deficit": "0", "points-range": "200", name: amount}
    _, found = buck_gramcko_finger.grade(*(Decimal(each) for each in given.values()))
    best = {"points-distance": 6, "points-deficit": 3, "points-range": 6}
    expected = {**best, name: points}
    assert found == {**expected, "points": sum(expected.values())}


@pytest.mark.published(source=BUCK_GRAMCKO, status="from memory")
@pytest.mark.parametrize(("name", "amount", "points"), steps(THUMB))
def test_points_of_a_thumb_at_each_limit(name, amount, points) -> None:
    given = {"points-flexion": "90", "points-deficit": "0", "points-range": "90", name: amount}
    best = {"points-flexion": 6, "points-deficit": 3, "points-range": 6}
    assert buck_gramcko_thumb.points_of(*(Decimal(each) for each in given.values())) == {**best, name: points}


@pytest.mark.published(source=BUCK_GRAMCKO, status="from memory")
@pytest.mark.parametrize(("points", "grade"), GRADES.items())
def test_grade_of_a_sum_of_points(points, grade) -> None:
    assert buck_gramcko_thumb.grade_of(points) == grade


@pytest.mark.published(source="Lister et al., J Hand Surg Am 1977;2:441", status="from memory")
@pytest.mark.parametrize(
    ("distance", "deficit", "grade"),
    [("0.9", "14", "excellent"), ("1", "0", "good"), ("0", "15", "good"), ("1.4", "29", "good"), ("1.5", "0", "fair"),
     ("0", "30", "fair"), ("2.9", "49", "fair"), ("3", "0", "poor"), ("0", "50", "poor")],
)  # fmt: skip
def test_both_limits_of_a_grade_are_kept(distance, deficit, grade) -> None:
    assert louisville_grade.grade(Decimal(distance), Decimal(deficit), Decimal(0)) == (grade, {})


def test_scores_are_points() -> None:
    assert disability_score("dash", Decimal(60), 30) == Quantity(Decimal(25), "{score}")
    assert wrist_score(Decimal(20), Decimal(30)) == Quantity(Decimal(35), "{score}")


def refused(name: str, parameters: Parameters, visits) -> Issue:
    with pytest.raises(Invalid) as error:
        METRICS[name].compute(visits.readings, (), parameters)
    (issue,) = error.value.issues
    return issue


def test_a_norm_that_is_none_is_refused_with_those_there_are(visits) -> None:
    visits.grip("right", "30 30 30")
    message, expected = "'of-nobody' is not a table of a norm.", "one of " + ", ".join(NORMS)
    assert refused("grip-z-score", Parameters(norm="of-nobody"), visits) == Issue(
        "value", message, "norm", "of-nobody", "norm-table", expected
    )


def test_a_scheme_of_touch_that_is_none_is_refused_with_those_there_are(visits) -> None:
    visits.touch("right-palm", "2.83")
    message, expected = "'six-bands' is not a table of touch categories.", "one of " + ", ".join(SCHEMES)
    assert refused("touch-threshold-category", Parameters(touch_scheme="six-bands"), visits) == Issue(
        "value", message, "touch_scheme", "six-bands", "touch-scheme", expected
    )
