"""Errors and ambiguities found in public sources, numbered as they were collected: none of them is repeated here.

The source of each stands beside its test: where the error was seen, and where possible what it is checked against.
"""

from __future__ import annotations

import json
from decimal import Decimal
from math import sqrt
from pathlib import Path

import pytest

from service.domain.cautions import ZERO_GRIP
from service.domain.change import single_case
from service.domain.change.segmented import segmented
from service.domain.error import ERRORS
from service.domain.kinds import thumb_opposition, touch_threshold
from service.domain.kinds.grip_strength import zero
from service.domain.measurement import Entry
from service.domain.metric import Parameters
from service.domain.metrics import METRICS
from service.domain.metrics.strickland_grade import SCHEME as STRICKLAND
from service.domain.metrics.total_motion_grade import SCHEME as SOCIETY
from service.domain.metrics.touch_threshold_category import SCHEMES
from service.domain.norms import NORMS
from service.errors import Invalid

ROOT = Path(__file__).resolve().parents[2]
MARKED = Parameters(reference_for=frozenset({"right"}))


def published(number: int, source: str, status: str = "published"):
    """The mark of a check that rests on a source outside the project, with the number of the trap."""
    return pytest.mark.published(source=f"{number}: {source}", status=status)


def one(visits, name, parameters=MARKED):
    (found,) = METRICS[name].compute(visits.readings, visits.states, parameters)
    return found


def marking(text: str):
    return touch_threshold.VALUES[f"marking-{text}"]


@published(1, "passtheot.com and handsurgeryresource.org subtract flexion from the deficit; medicalalgorithms.com: 260")
def test_01_total_motion_takes_the_deficit_from_flexion(visits) -> None:
    visits.digit("right-index", "0-0-85 0-0-110 0-0-65")
    assert one(visits, "total-active-motion").number == 260
    visits.digit("right-index", "0-5-85 0-10-110 0-0-65", 2)
    assert METRICS["total-active-motion"].compute(visits.readings, (), MARKED)[1].number == 245


@published(2, "therapyedotr.examzify.com: MCP 0-45, PIP 10-60, DIP 10-40 is 125, a text there takes off one more")
def test_02_nothing_is_taken_off_beside_the_deficits(visits) -> None:
    visits.digit("right-index", "0-0-45 0-10-60 0-10-40")
    assert one(visits, "total-active-motion").number == 125


@published(3, "eatonhand.com clf217 prints 70-79 as fair for a thumb and leaves 80 to 97 without a grade")
def test_03_no_total_of_a_thumb_falls_between_two_grades(visits) -> None:
    visits.digit("left-thumb", "0-0-60 0-0-80")
    for day, total in enumerate(range(70, 100), start=1):
        visits.digit("right-thumb", f"0-0-30 0-0-{total - 30}", day)
    graded = [r for r in METRICS["total-motion-grade"].compute(visits.readings, (), MARKED) if r.site.side == "right"]
    assert len(graded) == 30
    assert not [r.parts[0].number for r in graded if r.is_missing]


@published(
    4, "eatonhand.com clf218 prints 0/10 for a finger's PIP joint; its sister page e-hand.com nor002 prints 0/100"
)
def test_04_whole_flexion_of_a_pip_joint_is_100(visits) -> None:
    visits.end("right-index-pip", "flexion", "85")
    visits.end("right-index-pip", "flexion", "90", mode="passive")
    assert "10 degrees short of whole passive flexion" in one(visits, "lag-pattern").notes


@published(
    5, "Strickland's degrees (>150, 125-149, 90-124) and percents (85, 70, 50) of 175 disagree: handsurgskills.com"
)
@pytest.mark.parametrize(("degrees", "grade"), [(149, "excellent"), (123, "good"), (124, "good"), (88, "fair")])
def test_05_a_tendon_repair_is_graded_by_percent_alone(degrees, grade) -> None:
    assert STRICKLAND.grade(Decimal(100) * degrees / 175) == grade


@published(
    6, "ASSH as printed at handlab.com pearl 18: good above 75, fair above 50, poor below 50; exactly 50 has none"
)
@pytest.mark.parametrize(("percent", "grade"), [("75", "fair"), ("75.1", "good"), ("50", "fair"), ("49.9", "poor")])
def test_06_the_limits_of_a_grade_are_stated(percent, grade) -> None:
    assert SOCIETY.grade(Decimal(percent)) == grade
    assert (
        "exactly 50 has no printed grade and is fair by a rule of this project" in METRICS["total-motion-grade"].formula
    )


@published(
    7, "Kapandji, Ann Chir Main 1986;5:67 (abstract, pubmed 3963909): second and third phalanx, not first and second"
)
def test_07_the_first_landmarks_of_opposition_are_the_second_and_third_phalanx() -> None:
    shown = [thumb_opposition.KIND.values[level].display for level in ("1", "2")]
    assert ["second phalanx" in shown[0], "third phalanx" in shown[1]] == [True, True]
    assert not any("first phalanx" in each or "proximal phalanx" in each for each in shown)


@published(8, "PMC4493271 table 2 prints 4.65; the kit of 20 in PMC7873561 table 1 has 4.56")
def test_08_a_marking_that_no_filament_has_is_refused() -> None:
    with pytest.raises(Invalid, match=r"4\.65"):
        touch_threshold.read(touch_threshold.KIND, Entry("touch-threshold", "right", "index-tip", "4.65"), None)
    assert "marking-4.65" not in touch_threshold.VALUES


@published(9, "kit forces of PMC7873561 table 1 beside 10^marking/10 mg (Birke 2000): 6.65 is 300 g and 447 g")
@pytest.mark.parametrize(
    ("text", "kit"), [("1.65", "0.008"), ("5.07", "10"), ("5.88", "60"), ("6.45", "180"), ("6.65", "300")]
)
def test_09_the_force_of_the_kit_and_of_the_formula_are_two_numbers(text, kit) -> None:
    properties = marking(text).properties
    assert Decimal(properties["target-force-gf"]) == Decimal(kit)
    assert properties["marking"] == text
    by_formula = 10 ** float(text) / 10_000
    assert abs(by_formula - float(kit)) > 0.1 * float(kit)


@published(10, "6.65 is deep pressure only in PMC7873561, and within loss of protective sensation elsewhere")
def test_10_a_category_of_touch_names_its_scheme(visits) -> None:
    visits.touch("right-index-tip", "6.65")
    found = one(visits, "touch-threshold-category")
    assert found.value.code == "deep-pressure-sensation-only"
    assert found.conditions["scheme"] in SCHEMES


@published(
    11, "a secondary copy of the 1985 grip table: SE x sqrt(n) is not its SD for men 25-29 left, women 45-49 left"
)
@pytest.mark.parametrize(("sex", "youngest", "se", "n"), [("male", 25, 4.4, 27), ("female", 45, 2.1, 25)])
def test_11_a_norm_rests_on_the_standard_deviation_not_the_standard_error(sex, youngest, se, n) -> None:
    (row,) = (r for r in NORMS["grip-us-1985"].rows if (r.sex, r.youngest, r.hand) == (sex, youngest, "left"))
    assert abs(float(row.sd) - se * sqrt(n)) > 0.5
    assert round(float(row.sd) / sqrt(n), 1) in (3.1, 2.5)


@published(
    12, "tip pinch of men 30-34 right: one secondary copy of the 1985 table prints 17.4, another 78.3 N = 17.6 lb"
)
def test_12_a_row_that_two_copies_print_otherwise_is_not_shipped() -> None:
    assert not [r for r in NORMS["tip-pinch-us-1985"].rows if r.sex == "male" and r.youngest <= 30 <= r.oldest]


@published(13, "Villafane 2014 prints SEM 0.06, 0.04 and 0.01 kg for pinch; its own ICC give 0.30, 0.28 and 0.11")
def test_13_an_error_that_contradicts_its_own_study_is_not_shipped() -> None:
    assert not [name for name in ERRORS if name.startswith("pinch")]


@published(14, "Kim 2014 takes 1.65 x sqrt(2) x SEM, which is 90%; others 1.96, which is 95%")
def test_14_the_level_stands_with_every_detectable_change() -> None:
    changes = [e for errors in ERRORS.values() for e in errors if e.statistic == "MDC"]
    assert changes
    assert {e.level for e in changes} == {"95%"}


@published(15, "Int J Epidemiol 2021, PMC8271192: with t x D the coefficient of D (-6) is not the change of level (8)")
def test_15_the_change_of_level_is_that_at_the_start_of_the_phase() -> None:
    y = [21.5, 23.0, 24.5, 26.0, 27.5, 29.0, 38.5, 42.0, 45.5, 49.0, 52.5, 56.0]
    fit = segmented([float(n) for n in range(1, 13)], y, 7.0)
    assert fit.level_change.value == pytest.approx(8)
    assert fit.level_change.value != pytest.approx(-6)


@published(16, "a package's text says S of the A phase is added; its tested value subtracts it: (35 - 4) / 42")
def test_16_the_trend_of_the_earlier_phase_is_subtracted() -> None:
    a, b = [20.0, 20, 26, 25, 22, 23], [28.0, 25, 24, 27, 30, 30, 29]
    assert single_case.tau_u(a, b) == pytest.approx(31 / 42)
    assert single_case.tau_u(a, b) != pytest.approx(39 / 42)


@published(17, "printed lower limit of NAP .5973406 carries root-finder error; the exact root is .5973194")
def test_17_an_interval_is_checked_to_the_exact_root() -> None:
    low, high = single_case.nap_interval([20.0, 20, 26, 25, 22, 23], [28.0, 25, 24, 27, 30, 30, 29])
    assert low == pytest.approx(0.5973194, abs=1e-6)
    assert high == pytest.approx(0.9860, abs=1e-4)


@published(18, "bodyPerformance.csv has three grips of 0.0, missing values written as numbers, and one row twice")
def test_18_a_force_of_0_is_asked_about(visits) -> None:
    (asked,) = zero(visits.grip("right", "0 0 0"))
    assert (asked.grade, asked.issue.rule) == ("ask", ZERO_GRIP.code)
    assert list(zero(visits.grip("left", "1 2 3"))) == []


@published(
    19, "two web pages contradict each other on L3923; the CMS file of 2019 says prefabricated, trimmed, customized"
)
def test_19_a_descriptor_is_that_of_the_annual_file() -> None:
    listed = (ROOT / "service/domain/billing/codes/hcpcs-level-ii.json").read_text(encoding="utf-8")
    shown = [each["display"] for each in _objects(json.loads(listed)) if each.get("code") == "L3923"]
    assert shown
    assert all("prefabricated item that has been trimmed, bent, molded" in each for each in shown)


def _objects(value):
    if isinstance(value, dict):
        yield value
        for each in value.values():
            yield from _objects(each)
    elif isinstance(value, list):
        for each in value:
            yield from _objects(each)


@published(20, "dqref.com labels the columns of Massy-Westropp 2011, right and left, as dominant and non-dominant")
def test_20_the_hands_of_a_table_are_as_its_paper_has_them() -> None:
    table = NORMS["grip-australia-2011"]
    assert {row.hand for row in table.rows} == {"right", "left"}
    assert "dominant" not in table.people + table.title + str(table.requires)
