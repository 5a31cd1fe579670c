"""Statistics of metrics and of repeats against two libraries that know nothing of this project."""

from __future__ import annotations

from fractions import Fraction
from random import Random

import pytest

from service.domain.metric import Parameters
from service.domain.metrics import METRICS
from service.domain.repeatability import Estimate, estimate_of

stats = pytest.importorskip("scipy.stats", reason="scipy is not installed")
regression = pytest.importorskip("statsmodels.regression.linear_model", reason="statsmodels is not installed")
weighted = pytest.importorskip("statsmodels.stats.weightstats", reason="statsmodels is not installed")


def forces(random: Random, count: int) -> list[str]:
    return [f"{random.uniform(5, 60):.1f}" for _ in range(count)]


def only(visits, name: str):
    (found,) = METRICS[name].compute(visits.readings, (), Parameters())
    return found


@pytest.mark.published(source="coefficient of variation: scipy.stats.variation, ddof 1")
@pytest.mark.parametrize("name", ["grip", "pinch"])
@pytest.mark.parametrize("count", [2, 3, 5])
def test_spread_of_trials(fresh, name: str, count: int) -> None:
    trials = forces(Random(count), count)
    visits = fresh()
    getattr(visits, name)("right", " ".join(trials))
    found = only(visits, f"{name}-variation")
    assert float(found.number) == pytest.approx(100 * stats.variation([float(t) for t in trials], ddof=1), abs=1e-5)


@pytest.mark.published(source="standard deviation with n - 1: statsmodels DescrStatsW, ddof 1")
def test_spread_over_five_positions(visits) -> None:
    values = forces(Random(3), 5)
    for position, value in enumerate(values, start=1):
        visits.grip("right", value=value, handle_position=str(position))
    expected = weighted.DescrStatsW([float(v) for v in values], ddof=1).std
    assert float(only(visits, "grip-five-positions").number) == pytest.approx(expected, abs=1e-5)


@pytest.mark.published(source="least squares: statsmodels OLS")
def test_slope_of_torque_and_angle(visits) -> None:
    random, torques, angles = Random(4), [], []
    for _ in range(6):
        force, angle = random.randint(100, 900), random.randint(5, 60)
        fields = {"motion": "extension-deficit", "force": f"{force} gf", "lever_arm": "2.5 cm"}
        visits.say("torque-angle", "right-index-pip", str(angle), "deg", **fields)
        torques.append(force * 0.00980665 * 0.025)
        angles.append(-float(angle))  # a deficit counts below 0
    fitted = regression.OLS(angles, [[1.0, t] for t in torques]).fit().params[1]
    assert float(only(visits, "torque-angle-slope").number) == pytest.approx(fitted, rel=1e-5)


@pytest.mark.published(source="residual of a one-way analysis of variance: statsmodels OLS on groups")
def test_standard_error_of_measurement() -> None:
    random = Random(9)
    groups = [[50 + random.gauss(0, 20) + random.gauss(0, 3) for _ in range(2 + n % 2)] for n in range(30)]
    values = [v for group in groups for v in group]
    design = [[float(n == place) for place in range(len(groups))] for n, group in enumerate(groups) for _ in group]
    fitted = regression.OLS(values, design).fit()
    found = estimate_of([[Fraction(v) for v in group] for group in groups], "deg")
    assert isinstance(found, Estimate)
    assert float(found.sem) == pytest.approx(fitted.mse_resid**0.5, abs=1e-3)
    low, high = (fitted.ssr / stats.chi2.ppf(p, fitted.df_resid) for p in (0.975, 0.025))
    assert float(found.sem_low) == pytest.approx(low**0.5, abs=1e-3)
    assert float(found.sem_high) == pytest.approx(high**0.5, abs=1e-3)
