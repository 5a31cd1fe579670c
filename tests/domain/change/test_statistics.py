"""The statistics of change against published values, scipy and statsmodels."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from itertools import permutations
from math import sqrt
from random import Random

import pytest

from service.domain.change import single_case
from service.domain.change.kendall import EXACT_UP_TO, inversions, order_of, slopes_to_leave, z_of
from service.domain.change.noise import MDC_TO_SEM
from service.domain.change.segmented import segmented
from service.domain.change.single_case import LEAST, indices
from service.domain.change.trend import line_through
from service.domain.metric import Missing

stats = pytest.importorskip("scipy.stats", reason="scipy is not installed")


def floats(values) -> list[float]:
    return [float(v) for v in values]


def line(values):
    return [list(enumerate(floats(values)))]


# Order and slope.


@pytest.mark.check_values("mann_kendall")
def test_score_variance_and_z(row) -> None:
    found = order_of(line(row.inputs["y"]))
    assert found.score == row.expected["S"]
    assert float(found.variance) == pytest.approx(float(row.expected["var_S"]), abs=1e-5)
    assert z_of(found) == pytest.approx(float(row.expected["z"]), abs=1e-5)
    normal = 2 * stats.norm.sf(abs(z_of(found)))
    assert normal == pytest.approx(float(row.expected["p_two_sided"]), abs=1e-5)
    assert found.p < normal * 1.5


@pytest.mark.check_values("mann_kendall_nile", "segmented_regression_nile")
def test_a_long_public_series(row) -> None:
    """Annual flow of the Nile, 1871 to 1970, as statsmodels ships it."""
    nile = pytest.importorskip("statsmodels.datasets.nile", reason="statsmodels is not installed").load_pandas().data
    flow = floats(nile["volume"])
    if row.metric == "mann_kendall_nile":
        found = order_of(line(flow))
        assert not found.exact
        assert found.score == row.expected["S"]
        assert float(found.variance) == pytest.approx(float(row.expected["var_S"]), abs=1e-4)
        assert z_of(found) == pytest.approx(float(row.expected["z"]), abs=1e-4)
        assert line_through(line(flow)).slope == pytest.approx(float(row.expected["sen_slope"]))
        return
    fit = segmented([float(n) for n in range(100)], flow, 28.0)
    four = (fit.level, fit.slope, fit.level_change, fit.slope_change)
    for part, name in zip(four, ("b0", "b1", "level_change", "slope_change"), strict=True):
        assert part.value == pytest.approx(float(row.expected[name]), abs=1e-3)
    assert [part.error for part in four] == pytest.approx(floats(row.expected["se"]), abs=1e-3)


@pytest.mark.check_values("theil_sen")
def test_the_published_slope_with_an_outlier(row) -> None:
    x, y = floats(row.inputs["x"]), floats(row.inputs["y"])
    found = line_through([list(zip(x, y, strict=True))])
    assert found.slope == pytest.approx(float(row.expected["slope"]))
    assert found.now - found.slope * x[-1] == pytest.approx(float(row.expected["intercept_median_y_minus_b_median_x"]))


@pytest.mark.check_values("theil_sen_ci95")
def test_the_rank_interval(row) -> None:
    found = line_through(line(row.inputs["y"]))
    low, high = found.interval()
    assert found.slope == pytest.approx(float(row.expected["slope"]))
    assert low == pytest.approx(float(row.expected["lo"]), abs=1e-5)
    assert high == pytest.approx(float(row.expected["hi"]), abs=1e-5)


def test_slopes_agree_with_scipy_on_random_series() -> None:
    random = Random(5)
    for _ in range(50):
        t = sorted(random.uniform(0, 20) for _ in range(random.randint(3, 20)))
        y = [random.gauss(50, 8) for _ in t]
        found = line_through([list(zip(t, y, strict=True))])
        assert found.slope == pytest.approx(stats.theilslopes(y, t).slope)


def test_the_exact_probability_agrees_with_scipy_where_nothing_is_tied() -> None:
    random = Random(6)
    for n in (5, 6, 7, 8, 9):
        y = [random.random() for _ in range(n)]
        assert order_of(line(y)).p == pytest.approx(stats.kendalltau(range(n), y, method="exact").pvalue)


@pytest.mark.parametrize("values", [(1, 1, 2, 3, 3, 3), (5, 5, 5, 5, 6), (1, 2, 3, 4, 5, 6), (2, 2, 2)])
def test_the_distribution_with_ties_is_that_of_all_arrangements(values) -> None:
    """By counting every arrangement: scipy has no exact test with ties."""
    counted = Counter(sum(p[i] > p[j] for j in range(len(p)) for i in range(j)) for p in set(permutations(values)))
    sizes = (tuple(sorted(Counter(values).values())),)
    assert dict(enumerate(inversions(sizes))) == {n: counted[n] for n in range(max(counted) + 1)}


def test_strata_are_never_joined_by_a_pair() -> None:
    """Two examiners, each with a falling line, the second 40 higher: all pairs rise, pairs of one examiner fall."""
    first = [(float(t), 50.0 - t) for t in range(4)]
    second = [(float(t), 90.0 - t) for t in range(4, 8)]
    apart, joined = order_of([first, second]), order_of([first + second])
    assert (apart.score, apart.pairs) == (-12, 12)
    assert joined.score == 16 - 12
    assert line_through([first, second]).slope == pytest.approx(-1)
    assert line_through([first + second]).slope > 0
    assert apart.p == pytest.approx(2 / 24**2)
    assert line_through([first, second]).now == pytest.approx(83)
    assert line_through([second, first]).now == pytest.approx(83)


def test_the_spread_around_a_line_has_two_degrees_of_freedom_less_than_values() -> None:
    """Slopes 1, 2.5 and 4: the line 2.5 t leaves 0, -1.5 and 0, with one degree of freedom."""
    found = line_through([[(0.0, 0.0), (1.0, 1.0), (2.0, 5.0)]])
    assert found.slope == pytest.approx(2.5)
    assert found.spread == pytest.approx(1.5)


@pytest.mark.parametrize(("n", "leave"), [(3, -1), (4, -1), (5, 0), (6, 1), (7, 3), (8, 5)])
def test_an_interval_at_95_needs_five_values(n, leave) -> None:
    """Counted: of 5 values 1 of 120 arrangements has no inversion; of 7, 76 of 5040 have at most 3."""
    assert slopes_to_leave((n,), 0.95) == leave


def test_the_interval_covers_as_often_as_it_says_and_the_normal_one_meets_the_exact_one() -> None:
    for n in (10, 20, 40, EXACT_UP_TO):
        counts = inversions(((1,) * n,))
        beyond = sum(counts[: slopes_to_leave((n,), 0.95) + 1])
        assert beyond / sum(counts) <= 0.025
        spread = sqrt(Fraction(n * (n - 1) * (2 * n + 5), 18))
        normal = (n * (n - 1) / 2 - 1.959964 * spread) / 2
        assert abs(slopes_to_leave((n,), 0.95) - normal) <= 2
    assert slopes_to_leave((EXACT_UP_TO + 1,), 0.95) > slopes_to_leave((EXACT_UP_TO,), 0.95)


# Phases.


@pytest.mark.check_values("segmented_regression_exact")
def test_an_exact_series_gives_its_own_level_and_slope(row) -> None:
    t, y = floats(row.inputs["t"]), floats(row.inputs["y"])
    fit = segmented(t, y, float(row.inputs["first_post_t"]))
    found = (fit.level.value, fit.slope.value, fit.level_change.value, fit.slope_change.value)
    assert found == pytest.approx([float(row.expected[n]) for n in ("b0", "b1", "level_change", "slope_change")])


@pytest.mark.check_values("segmented_regression_wrong_coding_trap")
def test_the_level_change_is_that_at_the_start_of_the_phase(row) -> None:
    """With t x D instead of the time since the start, the coefficient of D would be another number."""
    t, y = floats(row.inputs["t"]), floats(row.inputs["y"])
    fit = segmented(t, y, 7.0)
    assert fit.level_change.value == pytest.approx(float(row.expected["true_level_change"]))
    wrong = fit.level_change.value - 7.0 * fit.slope_change.value
    assert wrong == pytest.approx(float(row.expected["D_coefficient"]))


def test_errors_and_intervals_agree_with_statsmodels() -> None:
    regression = pytest.importorskip("statsmodels.regression.linear_model", reason="statsmodels is not installed")
    random = Random(8)
    for _ in range(10):
        t = sorted(random.uniform(0, 10) for _ in range(11))
        y = [40 + 2 * v + random.gauss(0, 4) for v in t]
        start = t[5]
        design = [[1.0, v, float(v >= start), (v - start) * (v >= start)] for v in t]
        other = regression.OLS(y, design).fit()
        fit = segmented(t, y, start)
        four = (fit.level, fit.slope, fit.level_change, fit.slope_change)
        assert [p.value for p in four] == pytest.approx(list(other.params))
        assert [p.error for p in four] == pytest.approx(list(other.bse))
        assert [p.low for p in four] == pytest.approx(list(other.conf_int()[:, 0]))
        assert [p.high for p in four] == pytest.approx(list(other.conf_int()[:, 1]))


@pytest.mark.parametrize(
    ("times", "rule"),
    [((0, 1, 2, 3, 4), "too-few-visits"), ((0, 1, 2, 5, 5, 5), "one-time"), ((), "too-few-visits")],
)
def test_what_cannot_be_fitted_says_why(times, rule) -> None:
    found = segmented(floats(times), [1.0 * n for n in range(len(times))], 4.0)
    assert isinstance(found, Missing)
    assert found.rule == rule


def phases(row):
    sign = -1 if row.inputs.get("improvement") == "decrease" else 1
    return [[sign * float(v) for v in row.inputs[name]] for name in ("A", "B")]


@pytest.mark.check_values("nap", "pnd", "pem", "tau_nonoverlap", "tau_u_baseline")
def test_the_published_indices(row) -> None:
    name = {"tau_nonoverlap": "tau", "tau_u_baseline": "tau_u"}.get(row.metric, row.metric)
    assert getattr(single_case, name)(*phases(row)) == pytest.approx(float(row.expected), abs=1e-9)


@pytest.mark.published(source="Parker, Vannest & Davis 2011: S of the earlier phase is subtracted, (35 - 4) / 42")
def test_tau_u_subtracts_the_trend_of_the_earlier_phase() -> None:
    a, b = [20, 20, 26, 25, 22, 23], [28, 25, 24, 27, 30, 30, 29]
    assert order_of(line(a)).score == 4
    assert single_case.tau_u(a, b) == pytest.approx(31 / 42)
    assert single_case.tau(a, b) == pytest.approx(35 / 42)


@pytest.mark.check_values("nap_ci95_newcombe5")
def test_the_interval_of_nap(row) -> None:
    found = single_case.nap_interval(*phases(row))
    assert found == pytest.approx(floats(row.expected), abs=1e-4)


@pytest.mark.check_values("tau_baseline_corrected")
def test_a_trend_that_goes_on_is_no_effect(row) -> None:
    assert single_case.baseline_corrected_tau(*phases(row)) == pytest.approx(float(row.expected), abs=1e-9)


@pytest.mark.check_values("tau_baseline_corrected_detail")
def test_the_line_of_the_earlier_phase_is_taken_out(row) -> None:
    a, b = phases(row)
    fitted = line_through([list(enumerate(a, 1))])
    assert fitted.slope == pytest.approx(float(row.expected["slope"]))
    assert fitted.now - fitted.slope * len(a) == pytest.approx(float(row.expected["intercept"]))
    before, after = single_case.corrected(a, b)
    assert single_case.tau(before, after) == pytest.approx(float(row.expected["tau_nonoverlap_raw"]), abs=1e-5)
    assert single_case.baseline_corrected_tau(a, b) == pytest.approx(float(row.expected["kendall_tau_b_raw"]), abs=1e-5)


@pytest.mark.check_values("kendall_tau_b")
def test_tau_b_of_ranks_with_ties(row) -> None:
    a, b = floats(row.inputs["a"]), floats(row.inputs["b"])
    found = single_case.kendall_tau_b(a, b)
    assert found == pytest.approx(float(row.expected["tau_b"]), abs=5e-4)
    assert found == pytest.approx(stats.kendalltau(a, b).statistic)
    assert single_case.kendall_tau_b([1.0, 1.0], [1.0, 2.0]) == 0


@pytest.mark.check_values("log_response_ratio", "log_response_ratio_real_data")
def test_the_ratio_corrected_for_few_values_and_its_error(row) -> None:
    value, (low, high) = single_case.log_response_ratio(*phases(row))
    expected = row.expected.get("R2_bias_corrected", row.expected.get("R2"))
    assert value == pytest.approx(float(expected), abs=1e-5)
    assert (high - low) / 2 / 1.959964 == pytest.approx(float(row.expected["SE"]), abs=1e-5)


def test_indices_of_few_visits_or_of_a_measure_without_a_better_side_are_absent() -> None:
    few = indices([1.0, 2.0], [3.0, 4.0, 5.0], "more")
    assert {i.value.rule for i in few} == {"too-few-visits"}
    sideless = {i.name: i.value for i in indices([1.0] * LEAST, [2.0] * LEAST, "unstated")}
    assert sideless["nap"].rule == "no-better-side"
    assert not isinstance(sideless["log-response-ratio"], Missing)
    positions = {i.name: i.value for i in indices([1.0] * LEAST, [2.0] * LEAST, "more", ratio=False)}
    assert positions["log-response-ratio"].rule == "no-ratio"
    assert single_case.log_response_ratio([0.0] * 3, [1.0] * 3).rule == "not-positive"
    assert single_case.log_response_ratio([-1.0, 5.0, 5.0], [1.0] * 3).rule == "not-positive"


def test_less_is_better_turns_every_index() -> None:
    a, b = [30.0, 31.0, 29.0], [20.0, 21.0, 19.0]
    assert {i.name: i.value for i in indices(a, b, "less")}["nap"] == 1
    assert {i.name: i.value for i in indices(a, b, "more")}["nap"] == 0


# Measurement error.


@pytest.mark.check_values("mdc95")
def test_the_detectable_change_that_goes_with_an_sem(row) -> None:
    assert float(row.inputs["sem"]) * MDC_TO_SEM == pytest.approx(float(row.expected), abs=1e-4)
