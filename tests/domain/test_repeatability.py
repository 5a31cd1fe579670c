"""The clinic's own measurement error, against published arithmetic and a statistics library."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from random import Random
from statistics import mean, stdev

import pytest

from service.domain.metric import Missing
from service.domain.repeatability import FACTOR, LEAST_GROUPS, Estimate, estimate_of, repeatability

stats = pytest.importorskip("scipy.stats", reason="scipy, which the interval rests on, is not installed")

MDC = "SEM = SD of differences / sqrt(2), MDC95 = 1.96 x SD of differences, PMC6558857 table 1"


def pairs(visits, count: int, *, seed: int = 1, performer: str = "Practitioner/a", **fields: str) -> list[int]:
    """Flexion read twice at each of `count` visits; the differences, second minus first."""
    random = Random(seed)
    found = []
    for day in range(1, count + 1):
        first, second = (random.randint(70, 90) for _ in range(2))
        visits.end("right-index-pip", "flexion", str(first), day, **fields)
        visits.end("right-index-pip", "flexion", str(second), day, repeat="second", **fields)
        found.append(second - first)
    visits.readings = [by(m, performer) for m in visits.readings]
    return found


def by(measurement, performer: str):
    from dataclasses import replace

    around = measurement.circumstances
    kept = around.performer or performer
    return replace(measurement, circumstances=replace(around, performer=kept))


@pytest.mark.check_values("sem_from_sdd", "mdc95_from_sdd")
def test_errors_follow_from_the_sd_of_differences(row) -> None:
    """Pairs d/2 and -d/2 whose differences are +-10: their SD about 0 is 10."""
    half = Fraction(row.inputs["sd_of_differences"]) / 2
    found = estimate_of([(half, -half), (-half, half)] * 10, "deg")
    assert abs((found.sem if "sem" in row.metric else found.mdc95) - row.expected) < Decimal("0.0001"), row.source


@pytest.mark.check_values("mdc95")
def test_the_factor_from_sem_to_mdc(row) -> None:
    found = Decimal(float(Fraction(row.inputs["sem"]) * FACTOR * Fraction(2**0.5)))
    assert abs(found - row.expected) < Decimal("0.0001")


@pytest.mark.published(source=MDC)
def test_a_clinics_error_is_that_of_its_marked_pairs(visits) -> None:
    differences = pairs(visits, 20)
    (found,) = repeatability(visits.readings)
    assert (found.measure, found.joint, found.raters) == ("joint-motion flexion-active-free", "pip", "same")
    assert (found.groups, found.readings, found.dropped) == (20, 40, 0)
    within = (sum(d * d for d in differences) / 2 / len(differences)) ** 0.5
    assert float(found.estimate.sem) == pytest.approx(within, abs=1e-4)
    assert float(found.shift) == pytest.approx(mean(differences), abs=1e-6)
    assert found.estimate.unit == "deg"
    assert stdev(differences) > 0


@pytest.mark.published(source="Bland & Altman, BMJ 1996;313:41: within-subject SD by one-way analysis of variance")
def test_the_error_is_the_residual_of_an_analysis_of_variance() -> None:
    """Against scipy: F = mean square between / within, so within = between / F; unequal groups too."""
    random = Random(7)
    groups = [[Fraction(random.randint(40, 90)) for _ in range(random.choice((2, 3)))] for _ in range(15)]
    f = stats.f_oneway(*([float(n) for n in g] for g in groups)).statistic
    grand = mean(float(n) for g in groups for n in g)
    between = sum(len(g) * (float(mean(g)) - grand) ** 2 for g in groups) / (len(groups) - 1)
    found = estimate_of(groups, "deg")
    assert float(found.sem) == pytest.approx((between / f) ** 0.5, abs=1e-4)


def test_the_interval_covers_the_true_error_as_often_as_it_says() -> None:
    """Normal errors of 5: of 400 invented clinics with 12 pairs each, 95% of intervals hold 5."""
    random = Random(3)
    covered = 0
    for _ in range(400):
        groups = [[Fraction(str(round(random.gauss(0, 5), 3))) for _ in range(2)] for _ in range(12)]
        found = estimate_of(groups, "deg")
        assert found.sem_low < found.sem < found.sem_high
        assert found.mdc95_low < found.mdc95 < found.mdc95_high
        covered += found.sem_low <= 5 <= found.sem_high
    assert 366 <= covered <= 394


def test_few_repeats_make_no_error(visits) -> None:
    pairs(visits, LEAST_GROUPS - 1)
    (found,) = repeatability(visits.readings)
    assert isinstance(found.estimate, Missing)
    assert "9 groups" in found.estimate.reason
    assert found.shift is not None


def test_readings_not_marked_make_no_group(visits) -> None:
    for day in range(1, 15):
        visits.end("right-index-pip", "flexion", "80", day)
        visits.end("right-index-pip", "flexion", "85", day)
    assert repeatability(visits.readings) == ()


def test_one_examiner_and_two_are_told_apart(visits) -> None:
    from dataclasses import replace

    pairs(visits, 10)
    alone = repeatability(visits.readings)
    others = [
        replace(m, circumstances=replace(m.circumstances, performer="Practitioner/b"))
        if m.answer("repeat") == "second"
        else m
        for m in visits.readings
    ]
    nobody = [replace(m, circumstances=replace(m.circumstances, performer="")) for m in visits.readings]
    assert [r.raters for r in (*alone, *repeatability(others), *repeatability(nobody))] == [
        "same",
        "different",
        "unknown",
    ]


def test_a_deficit_and_hyperextension_are_one_line(visits) -> None:
    for day in range(1, 11):
        visits.end("right-index-pip", "extension-deficit", "5", day)
        visits.end("right-index-pip", "hyperextension", "5", day, repeat="second")
    (found,) = repeatability(visits.readings)
    assert found.shift == 10
    assert isinstance(found.estimate, Estimate)


def test_modes_sites_and_visits_are_not_mixed_and_units_are(visits) -> None:
    for day in range(1, 11):
        visits.end("right-index-pip", "flexion", "80", day)
        visits.end("right-index-pip", "flexion", "84", day, mode="passive", repeat="second")
        visits.end("left-index-pip", "flexion", "84", day, repeat="second")
        visits.grip("right", value="10", day=day)
        visits.grip("right", value="98.0665", unit="N", day=day, repeat="second")
    (found,) = repeatability(visits.readings)
    assert found.measure.startswith("grip-strength")
    assert found.estimate.rule == "no-spread"


def test_a_group_without_all_its_numbers_is_dropped_and_counted(visits) -> None:
    pairs(visits, 10)
    visits.end("right-index-pip", "flexion", "80", 20)
    visits.end("right-index-pip", "flexion", "stopped-for-pain", 20, repeat="second")
    visits.readings = [by(m, "Practitioner/a") for m in visits.readings]
    (found,) = repeatability(visits.readings)
    assert (found.groups, found.dropped) == (10, 1)
