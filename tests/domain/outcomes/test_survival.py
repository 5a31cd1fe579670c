"""Time to a milestone against a published example, another library and the conditions of the maximum."""

from __future__ import annotations

from math import inf, log
from random import Random

import numpy as np
import pytest
from scipy.optimize import minimize

from service.domain.metric import Missing
from service.domain.outcomes.survival import (
    Seen,
    around_turnbull,
    innermost,
    kaplan_meier,
    middle_of,
    reached_by,
    turnbull,
)

duration = pytest.importorskip("statsmodels.duration.survfunc", reason="statsmodels is not installed")

RADIATION = """45- 25-37 37- 6-10 46- 0-5 0-7 26-40 18- 46- 46- 24- 46- 27-34 36- 7-16 36-44 5-11 17- 46- 19-35 7-14
36-48 17-25 37-44 37- 24- 0-8 40- 32- 4-11 17-25 33- 15- 46- 19-26 11-15 11-18 37- 22- 38- 34- 46- 5-12 36- 46-"""
"""Months to breast retraction after radiotherapy alone: Finkelstein & Wolfe, Biometrics 1985;41:933 (from memory)."""


def seen_in(written: str) -> list[Seen]:
    spans = [each.split("-") for each in written.split()]
    return [Seen(str(n), "left", "", float(a), float(b) if b else None) for n, (a, b) in enumerate(spans)]


def drawn(seed: int, patients: int = 30, lines: int = 1) -> list[Seen]:
    random = Random(seed)
    found = [Seen(f"longer {n}", "left", "", 70, None) for n in range(2)]
    for patient in range(patients):
        for digit in range(lines):
            after = random.choice([0, 7, 14, 21, 28])
            until = after + random.choice([7, 14]) if random.random() < 0.6 else None
            found.append(Seen(str(patient), "left", str(digit), after, until))
    return found


def as_right_censored(seen: list[Seen]) -> tuple[list[float], list[int]]:
    return [s.after if s.until is None else s.until for s in seen], [int(s.until is not None) for s in seen]


@pytest.mark.published(source="Fay & Shaw, J Stat Softw 2010;36(2): estimate for these data", status="from memory")
def test_the_published_estimate() -> None:
    found = turnbull(seen_in(RADIATION))
    assert not isinstance(found, Missing)
    assert [(m.low, m.high, round(m.share, 4)) for m in found] == [
        (4, 5, 0.0463), (6, 7, 0.0334), (7, 8, 0.0887), (11, 12, 0.0708), (24, 25, 0.0926), (33, 34, 0.0818),
        (38, 40, 0.1209), (46, 48, 0.4656),
    ]  # fmt: skip
    assert middle_of(found) == (38, 40)
    assert reached_by(found, 25) == pytest.approx(0.0463 + 0.0334 + 0.0887 + 0.0708 + 0.0926, abs=2e-4)


@pytest.mark.published(source="Kaplan-Meier and Greenwood: statsmodels SurvfuncRight")
@pytest.mark.parametrize("seed", range(5))
def test_the_curve_of_kaplan_and_meier(seed: int) -> None:
    seen = drawn(seed)
    wanted = duration.SurvfuncRight(*as_right_censored(seen))
    found = kaplan_meier(seen)
    assert [f.day for f in found] == list(wanted.surv_times)
    assert [f.at_risk for f in found] == list(wanted.n_risk)
    assert [1 - f.reached for f in found] == pytest.approx(list(wanted.surv_prob))
    for fall, left, error in zip(found, wanted.surv_prob, wanted.surv_prob_se, strict=True):
        assert not isinstance(fall.interval, Missing)
        # The interval on the log(-log) scale from Greenwood's error: one line a patient, so both are the same.
        reach = 1.959964 * error / (left * abs(log(left)))
        ends = [1 - left ** np.exp(sign * reach) for sign in (-1, 1)]
        assert fall.interval == pytest.approx(ends, abs=1e-6)


def test_lines_of_one_patient_are_no_news() -> None:
    """Every line four times over, as of one patient: the curve and its interval stay as they were."""
    once = drawn(3)
    again = [Seen(s.patient, s.side, str(n), s.after, s.until) for s in once for n in range(4)]
    apart = [Seen(f"{s.patient}/{s.digit}", s.side, s.digit, s.after, s.until) for s in again]
    for one, four, wrong in zip(kaplan_meier(once), kaplan_meier(again), kaplan_meier(apart), strict=True):
        assert four.reached == pytest.approx(one.reached)
        assert four.interval == pytest.approx(one.interval)
        assert wrong.interval[1] - wrong.interval[0] < 0.6 * (one.interval[1] - one.interval[0])


@pytest.mark.parametrize("seed", range(5))
def test_no_other_distribution_is_likelier(seed: int) -> None:
    """scipy's constrained optimiser from another start finds no higher likelihood."""
    seen = drawn(seed, 20)
    spans = [(s.after, inf if s.until is None else s.until) for s in seen]
    places = innermost(spans)
    holds = np.array([[low <= a and b <= high for a, b in places] for low, high in spans], dtype=float)

    def against(logits: np.ndarray) -> float:
        shares = np.exp(logits - logits.max())
        return -float(np.log(holds @ (shares / shares.sum())).sum())

    best = min(minimize(against, np.full(len(places), float(n)), method="BFGS").fun for n in (0, 1))
    found = turnbull(seen)
    assert not isinstance(found, Missing)
    shares = {(m.low, inf if m.high is None else m.high): m.share for m in found}
    mine = -float(np.log(holds @ np.array([shares.get(p, 0.0) for p in places])).sum())
    assert mine <= best + 1e-5
    assert sum(shares.values()) == pytest.approx(1, abs=1e-4)


def test_exact_times_give_the_same_curve_twice() -> None:
    """Where every interval is a day long and nobody is lost, both estimates are the empirical distribution."""
    seen = [Seen(str(n), "left", "", day - 1, day) for n, day in enumerate([3, 5, 5, 9])]
    masses = turnbull(seen)
    assert not isinstance(masses, Missing)
    assert [(m.high, m.share) for m in masses] == [
        (3, pytest.approx(0.25)),
        (5, pytest.approx(0.5)),
        (9, pytest.approx(0.25)),
    ]
    assert [(f.day, f.reached) for f in kaplan_meier(seen)] == [(3, 0.25), (5, 0.75), (9, 1.0)]


def test_draws_come_again_and_few_patients_have_none() -> None:
    seen = drawn(1, 12, lines=2)
    first, again = (around_turnbull(seen, [14, 28], seed=4) for _ in range(2))
    assert first == again
    assert all(0 <= low <= high <= 1 for low, high in first)
    assert around_turnbull(seen[2:6], [14], seed=4) == Missing(
        "too-few-patients", "An interval over patients needs 3 of them."
    )
    assert turnbull([]) == Missing("none", "There is no line to estimate from.")
