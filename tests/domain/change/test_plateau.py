"""Gaining, losing, plateau, at ceiling, or not to be told: and a projected day."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from random import Random

import pytest

from service.domain.change.noise import noise_of, step_of
from service.domain.change.plateau import (
    WORTHWHILE,
    Ceiling,
    Rate,
    projection_of,
    standing_of,
    worthwhile_of,
)
from service.domain.change.trend import WIDENING, trend_of
from service.domain.error import ERRORS
from service.domain.metric import Missing

RATE = Rate(Decimal(3), "deg", "invented clinic")
PASSIVE = Ceiling(Decimal(80), "the passive motion of the same visit")


def wobble(values, seed=1, size=2):
    random = Random(seed)
    return [round(v + random.gauss(0, size)) for v in values]


def test_a_steady_gain_is_gaining(course) -> None:
    found = standing_of(course(wobble([40 + 3 * n for n in range(12)])), RATE)
    assert found.answer == "gaining"
    assert found.trend.allowed.low > 0
    assert found.more_visits.rule == "told"


def test_less_is_better_turns_the_answer(course) -> None:
    values = wobble([40 + 3 * n for n in range(12)])
    assert standing_of(course(values, better="less"), RATE).answer == "losing"
    assert standing_of(course(values, better="unstated"), RATE).answer == "rising"
    assert standing_of(course([-v for v in values], better="unstated"), RATE).answer == "falling"


def test_a_plateau_is_an_interval_within_the_worthwhile_rate(course) -> None:
    found = standing_of(course(wobble([60] * 20)), RATE)
    assert found.answer == "plateau"
    assert -3 < found.trend.allowed.low <= 0 <= found.trend.allowed.high < 3


def test_no_gain_seen_in_four_visits_is_no_plateau(course) -> None:
    found = standing_of(course([60, 62, 59, 61]), RATE)
    assert found.answer == "cannot-be-told"
    assert isinstance(found.more_visits, int)
    assert found.more_visits > 3


def test_as_many_more_visits_as_told_do_tell(course) -> None:
    """With the spread as it was, whatever the true rate: 20 invented hands each."""
    few = standing_of(course(wobble([60] * 6, size=4)), RATE)
    needed = 6 + few.more_visits
    told = 0
    for seed in range(20):
        values = wobble([60 + 1.0 * n * (seed % 3) for n in range(needed)], seed, size=3)
        told += standing_of(course(values), RATE).answer != "cannot-be-told"
    assert told >= 19


def test_without_a_worthwhile_rate_there_is_no_plateau(course) -> None:
    line = course(wobble([60] * 20))
    found = standing_of(line, worthwhile_of(line, {}))
    assert found.answer == "cannot-be-told"
    assert found.worthwhile.rule == "no-worthwhile-rate"
    assert "No smallest worthwhile rate" in found.because


def test_the_ceiling_is_reached_within_the_error_of_measurement(course) -> None:
    rising = wobble([40 + 4 * n for n in range(10)])
    found = standing_of(course([*rising, 78]), RATE, [PASSIVE])
    assert found.answer == "at-ceiling"
    assert found.ceiling == PASSIVE
    assert "passive motion" in found.because
    assert standing_of(course([*rising, 70]), RATE, [PASSIVE]).answer == "gaining"
    falling = [120 - 4 * n for n in range(11)]
    assert standing_of(course(falling), RATE, [PASSIVE]).answer == "losing"


def test_a_change_of_examiner_is_no_trend(course) -> None:
    """Flat for each examiner, the second reads 25 higher: no gain."""
    values = wobble([40] * 6 + [65] * 6)
    who = ["A"] * 6 + ["B"] * 6
    assert trend_of(course(values)).slope > 3
    found = standing_of(course(values, who=who), RATE)
    assert abs(found.trend.slope) < 1
    assert found.answer == "cannot-be-told"
    assert found.more_visits.rule == "strata"
    assert found.trend.strata == 2
    assert any("only visits of the same are joined" in note for note in found.trend.notes)


def test_every_visit_by_another_examiner_joins_nothing(course) -> None:
    found = trend_of(course([40, 45, 50, 55, 60], who=list("ABCDE")))
    assert found.slope.rule == "no-pair"


@pytest.mark.parametrize(("values", "rule"), [((), "all-missing"), ((5,), "one-visit"), ((5, 6), "too-few-visits")])
def test_too_little_has_its_reason(course, values, rule) -> None:
    found = standing_of(course(values), RATE)
    assert found.answer == "cannot-be-told"
    assert found.trend.slope.rule == found.trend.order.rule == rule
    assert found.because.endswith(".")


def test_constant_values_have_no_more_certainty_than_measuring_gives(course) -> None:
    """Six equal readings over 17 days at an SEM of 4.9 leave rates of 3 a week possible."""
    found = standing_of(course([60] * 6), RATE)
    assert found.answer == "cannot-be-told"
    assert found.trend.order.rule == "constant"
    assert "all values are equal" in found.trend.notes
    assert found.trend.interval.low == found.trend.interval.high == 0
    assert found.trend.allowed.high > 3


def test_ranks_have_an_order_and_no_rate(course) -> None:
    found = trend_of(course([1, 1, 2, 2, 3, 4], scale="rank", errors=[]))
    assert found.slope.rule == "ranks"
    assert found.order.score > 0
    assert found.order.p < Decimal("0.05")


def test_the_interval_of_verdicts_is_the_published_one_widened(course) -> None:
    found = trend_of(course(wobble([40 + 3 * n for n in range(12)], size=6), errors=[]))
    for end in ("low", "high"):
        plain, wide = (float(getattr(interval, end) - found.slope) for interval in (found.interval, found.allowed))
        assert wide == pytest.approx(plain * WIDENING, abs=2e-3)


@pytest.mark.parametrize(
    ("values", "step"), [(("40", "45", "60"), 5), (("40", "50"), 10), (("40", "41"), 1), (("1.5", "2.0"), "0.5"),
                         (("1.52",), "0.01"), ((), 1), (("0", "0"), 10)],
)  # fmt: skip
def test_how_finely_values_were_read(values, step) -> None:
    assert step_of(Decimal(v) for v in values) == Decimal(step)


def test_without_a_published_error_rounding_is_allowed_for(course) -> None:
    found = noise_of(course([40, 45, 50], errors=[]))
    assert not found.published
    assert found.amount == pytest.approx(5 / 12**0.5)
    assert noise_of(course([40, 45, 50])).amount == pytest.approx(4.9)


def test_coarse_reading_counts_where_it_is_coarser_than_the_published_error(course) -> None:
    fine = replace(ERRORS["joint-motion"][0], low=Decimal(1), high=Decimal(2))
    assert noise_of(course([40, 50, 60], errors=[fine])).amount == pytest.approx(10 / 12**0.5)
    assert noise_of(course([41, 50, 60], errors=[fine])).amount == pytest.approx(2)


# A projected day.


def gaining(course):
    line = course(wobble([40 + 2 * n for n in range(14)]))
    return line, standing_of(line, RATE)


def test_a_day_is_projected_as_an_interval_that_holds_the_true_one(course) -> None:
    line, standing = gaining(course)
    found = projection_of(line, standing, Decimal(75))
    true = line.points[0].when + timedelta(days=3.5 * 17.5)
    assert found.earliest <= true
    assert found.latest is None or found.latest >= true
    assert line.points[-1].when <= found.earliest


def test_no_day_is_projected_beyond_the_time_observed_or_a_ceiling(course) -> None:
    line, standing = gaining(course)
    assert projection_of(line, standing, Decimal(300)).rule == "too-far"
    assert projection_of(line, standing, Decimal(85), [PASSIVE]).rule == "beyond-ceiling"
    assert projection_of(line, standing, Decimal(50)).rule == "reached"


def test_no_day_is_projected_while_not_gaining(course) -> None:
    flat = course(wobble([60] * 20))
    assert projection_of(flat, standing_of(flat, RATE), Decimal(90)).rule == "not-gaining"
    few = course([60, 61])
    assert projection_of(few, standing_of(few, RATE), Decimal(90)).rule == "no-rate"


# Rates.


def test_the_rate_of_a_clinic_is_converted_and_another_dimension_is_none(course) -> None:
    line = course([1], unit="[lbf_av]", measure="grip", key=("grip-strength", "x"))
    found = worthwhile_of(line)
    assert float(found.amount) == pytest.approx(2.20462, abs=1e-4)
    assert isinstance(worthwhile_of(course([1], unit="mm")), Missing)
    assert worthwhile_of(course([1])) == WORTHWHILE["joint-motion"]
    own = {"flexion-position": Rate(Decimal(2), "deg", "the clinic")}
    assert worthwhile_of(course([1]), {**WORTHWHILE, **own}).amount == 2


# Where a rule begins and ends.


@pytest.mark.parametrize("sign", [1, -1])
def test_an_interval_that_touches_the_worthwhile_rate_is_no_plateau(course, sign) -> None:
    line = course([sign * value for value in wobble([60] * 20)])
    widest = max(abs(end) for end in (trend_of(line).allowed.low, trend_of(line).allowed.high))
    assert standing_of(line, Rate(widest, "deg", "invented")).answer == "cannot-be-told"
    assert standing_of(line, Rate(widest + Decimal("0.0001"), "deg", "invented")).answer == "plateau"


@pytest.mark.parametrize(("last", "answer"), [("75.1", "at-ceiling"), ("75.0", "gaining")])
def test_within_one_standard_error_of_a_ceiling_is_at_it(course, last, answer) -> None:
    """The largest SEM published is 4.9: 75.1 of 80 is within it, 75.0 is not."""
    rising = wobble([30 + 4 * n for n in range(10)])
    assert standing_of(course([*rising, last]), RATE, [PASSIVE]).answer == answer


def test_the_projected_days_hold_the_error_of_the_value_now_and_of_the_rate(course) -> None:
    line, standing = gaining(course)
    trend = standing.trend
    goal = trend.now + 10
    error = 1.959964 * float(trend.spread) / trend.visits**0.5
    found = projection_of(line, standing, goal)
    last = line.points[-1].when
    minute = timedelta(minutes=1)
    assert abs(found.earliest - last - timedelta(weeks=(10 - error) / float(trend.allowed.high))) < minute
    assert abs(found.latest - last - timedelta(weeks=(10 + error) / float(trend.allowed.low))) < minute


def test_half_as_long_again_as_was_observed_is_too_far(course) -> None:
    line, standing = gaining(course)
    trend = standing.trend
    error = 1.959964 * float(trend.spread) / trend.visits**0.5
    reach = float(trend.allowed.high) * trend.days / 7
    assert projection_of(line, standing, trend.now + Decimal(round(1.5 * reach + error))).rule == "too-far"
    near = projection_of(line, standing, trend.now + Decimal(round(0.9 * reach)))
    assert not isinstance(near, Missing)
