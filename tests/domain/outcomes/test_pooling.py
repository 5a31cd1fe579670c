"""Pooling of effects against published values and another library; means by patient against the same library."""

from __future__ import annotations

from math import log
from random import Random

import numpy as np
import pytest

from service.domain.metric import Missing
from service.domain.outcomes.clustered import mean_of
from service.domain.outcomes.pooling import pooled

meta = pytest.importorskip("statsmodels.stats.meta_analysis", reason="statsmodels is not installed")
api = pytest.importorskip("statsmodels.api", reason="statsmodels is not installed")

VACCINE = [
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
    (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
]  # fmt: skip
"""Ill and well, vaccinated and not, of 13 trials of BCG: Colditz et al., JAMA 1994;271:698 (from memory)."""


def risks() -> tuple[list[float], list[float]]:
    effects = [log(a / (a + b)) - log(c / (c + d)) for a, b, c, d in VACCINE]
    return effects, [1 / a - 1 / (a + b) + 1 / c - 1 / (c + d) for a, b, c, d in VACCINE]


@pytest.mark.published(
    source="Viechtbauer, J Stat Softw 2010;36(3) and its package's documentation", status="from memory"
)
def test_the_published_example() -> None:
    """Log risk ratios: tau² 0.3088, I² 92.12%, Q 152.23, mean -0.7141, its error 0.1787 (DerSimonian-Laird)."""
    found = pooled(*risks())
    assert not isinstance(found, Missing)
    assert (found.tau2, found.i2, found.q) == pytest.approx((0.3088, 0.9212, 152.23), abs=5e-5, rel=1e-4)
    assert (found.mean, found.error) == pytest.approx((-0.7141, 0.1787), abs=6e-5)


@pytest.mark.published(source="statsmodels combine_effects, method dl, Hartung-Knapp scale and t interval")
@pytest.mark.parametrize("seed", range(8))
def test_another_library_pools_alike(seed: int) -> None:
    random = Random(seed)
    count = random.randint(3, 25)
    effects = [random.gauss(1, 0.8) for _ in range(count)]
    variances = [random.uniform(0.02, 0.6) for _ in range(count)]
    wanted = meta.combine_effects(np.array(effects), np.array(variances), method_re="dl", use_t=True)
    found = pooled(effects, variances)
    assert not isinstance(found, Missing)
    assert found.tau2 == pytest.approx(max(0.0, wanted.tau2), abs=1e-10)
    assert found.i2 == pytest.approx(max(0.0, wanted.i2), abs=1e-10)
    assert found.q == pytest.approx(wanted.q)
    if wanted.tau2 > 0:
        assert found.mean == pytest.approx(wanted.mean_effect_re)
        assert found.error**2 * found.factor == pytest.approx(wanted.sd_eff_w_re_hksj**2)
        if found.factor > 1:
            assert found.interval == pytest.approx(wanted.conf_int(use_t=True)[3])


def test_effects_that_agree_make_no_interval_narrower() -> None:
    found = pooled([1.0, 1.0001, 0.9999, 1.0], [0.25] * 4)
    assert not isinstance(found, Missing)
    assert found.factor < 1e-4
    assert (found.interval[1] - found.interval[0]) / 2 == pytest.approx(3.182446 * 0.25)
    assert found.tau2 == 0
    assert found.i2 == 0


@pytest.mark.parametrize("count", [8, 30])
def test_intervals_hold(count: int) -> None:
    """Of 1000 drawn sets, 95% of intervals hold the mean; another case lies where it is said to, for many cases."""
    draw = np.random.default_rng(11)
    held = inside = 0
    for _ in range(1000):
        variances = draw.uniform(0.05, 0.3, count)
        effects = draw.normal(2, 0.7, count) + draw.normal(0, np.sqrt(variances))
        found = pooled(list(map(float, effects)), list(map(float, variances)))
        held += found.interval[0] <= 2 <= found.interval[1]
        inside += found.another[0] <= draw.normal(2, 0.7) <= found.another[1]
    assert 0.93 <= held / 1000 <= 0.98
    assert (0.93 if count == 30 else 0.90) <= inside / 1000 <= 0.97


def test_one_patient_is_not_pooled_and_two_say_nothing_of_another() -> None:
    assert isinstance(pooled([1.0], [0.1]), Missing)
    two = pooled([1.0, 2.0], [0.1, 0.1])
    assert not isinstance(two, Missing)
    assert isinstance(two.another, Missing)


@pytest.mark.published(source="statsmodels OLS on a constant, cov_type cluster, t with G - 1 degrees of freedom")
@pytest.mark.parametrize("seed", range(5))
def test_means_count_patients(seed: int) -> None:
    random = Random(seed)
    values = [(f"p{n}", random.gauss(n, 1)) for n in range(9) for _ in range(random.randint(1, 5))]
    numbers, groups = np.array([v for _, v in values]), np.array([int(p[1:]) for p, _ in values])
    fit = api.OLS(numbers, np.ones(len(numbers))).fit(
        cov_type="cluster", cov_kwds={"groups": groups, "df_correction": True}, use_t=True
    )
    found = mean_of(values)
    assert not isinstance(found, Missing)
    assert found.value == pytest.approx(fit.params[0])
    assert found.error == pytest.approx(fit.bse[0])
    assert found.interval == pytest.approx(fit.conf_int()[0])
    assert (found.median, *found.quartiles) == pytest.approx(tuple(np.quantile(numbers, [0.5, 0.25, 0.75])))


def test_two_patients_have_no_interval() -> None:
    found = mean_of([("a", 1.0), ("a", 2.0), ("b", 4.0)])
    assert not isinstance(found, Missing)
    assert isinstance(found.interval, Missing)
    assert isinstance(mean_of([]), Missing)
