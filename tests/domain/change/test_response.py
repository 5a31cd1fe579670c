"""In the orthosis, just out of it, and free: gains side by side, the share that carries over, and what is left."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from math import sqrt
from statistics import NormalDist

import numpy as np
import pytest

from service.domain.anatomy import Site
from service.domain.change.carry_over import fieller
from service.domain.change.phases import phases_of, worn_at
from service.domain.change.response import holds, responses_of
from service.domain.metric import Missing
from service.domain.orthosis.design import Design, Held

from .conftest import SEM_4
from .test_phases import FIRST, PIP, episode

DYNAMIC = Design("right", digits=("ring",), holds=(Held("ring-mcp", "flexion", Decimal(30)),), free=("ring-pip",))
Z = NormalDist().inv_cdf(0.975)


@pytest.fixture
def told(course):
    """The answer for lines of one measure by state, given as {state: (values, days)}."""

    def tell(lines, *worn, errors=(SEM_4,), **more):
        made = [
            course(values, days, errors=errors, conditions={"mode": "active", "orthosis_state": state}, **more)
            for state, (values, days) in lines.items()
        ]
        last = FIRST + timedelta(days=120)
        return responses_of(made, worn, lambda line: phases_of(worn_at(line.site, worn), FIRST, last))

    return tell


def test_gains_stand_side_by_side_over_the_same_time(told) -> None:
    """The free reading before the first in the orthosis and the one after the last: what lies further off is not."""
    splint = episode("splint", 14, design=DYNAMIC)
    lines = {"in-orthosis": ([60, 70, 85], [14, 21, 28]), "free": ([50, 58, 70, 80, 95], [0, 13, 22, 29, 60])}
    (found,) = told(lines, splint)
    inside, free = found.gains
    assert (inside.state, inside.change.amount, free.state, free.change.amount) == ("in-orthosis", 25, "free", 22)
    assert (inside.change.days, free.change.days) == (14, 16)


def test_a_gain_that_stays_in_the_orthosis_is_a_finding_with_its_numbers(told) -> None:
    lines = {"in-orthosis": ([40, 70], [14, 42]), "free": ([40, 42], [14, 43])}
    (found,) = told(lines, episode("splint", 14, design=DYNAMIC))
    (carry,) = found.carry_over
    assert (carry.finding, carry.share) == ("does-not-carry-over", 7)
    assert carry.interval.low < 0 < carry.interval.high < 100
    for number in ("+30 deg", "+2 deg", "7%", f"{carry.interval.low:f} to {carry.interval.high:f}%"):
        assert number in carry.words


@pytest.mark.parametrize(
    ("inside", "free", "finding"),
    [(30, 28, "carries-over"), (60, 25, "in-part"), (30, 2, "does-not-carry-over"), (14, 5, "cannot-be-told")],
)
def test_what_is_found_follows_from_what_the_interval_rules_out(told, inside, free, finding) -> None:
    lines = {"in-orthosis": ([20, 20 + inside], [14, 42]), "free": ([20, 20 + free], [14, 43])}
    (found,) = told(lines, episode("splint", 14, design=DYNAMIC))
    assert found.carry_over[0].finding == finding


@pytest.mark.parametrize(
    ("inside", "rule"),
    [([40, 50], "no-gain-inside"), ([70, 40], "no-gain-inside"), ([70], "one-visit")],
)
def test_no_share_of_a_gain_within_error_of_a_loss_or_of_one_visit(told, inside, rule) -> None:
    """SEM 4: two readings differ by up to 11.1 degrees, so 10 are no gain to make a share of."""
    lines = {"in-orthosis": (inside, [14, 42][: len(inside)]), "free": ([40, 48], [14, 43])}
    (found,) = told(lines, episode("splint", 14, design=DYNAMIC))
    assert found.carry_over[0].share.rule == rule
    assert found.carry_over[0].finding == "cannot-be-told"


def test_no_share_without_a_published_error_or_without_a_second_free_reading(told) -> None:
    lines = {"in-orthosis": ([40, 80], [14, 42]), "free": ([40, 48], [14, 43])}
    (found,) = told(lines, errors=())
    assert found.carry_over[0].share.rule == "not-published"
    (found,) = told({**lines, "free": ([40], [14])})
    assert found.carry_over[0].share.rule == "one-visit"


def test_a_joint_that_the_orthosis_holds_has_no_gain_in_it(told) -> None:
    """A cast that holds the joint at 30, then one at 10: the angle is the cast's. Just out of it is the joint's."""
    cast = episode("cast", 14, 42)
    lines = {"in-orthosis": ([30, 10], [14, 41]), "out-of-orthosis": ([60, 85], [21, 42]), "free": ([58, 80], [0, 45])}
    (found,) = told(lines, cast)
    assert [gain.state for gain in found.gains] == ["out-of-orthosis", "free"]
    assert any("2 readings in an orthosis that holds the joint are left out" in note for note in found.notes)
    assert found.carry_over[0].inside == "out-of-orthosis"


def test_the_same_reading_counts_where_the_orthosis_leaves_the_joint_free(told) -> None:
    (found,) = told({"in-orthosis": ([30, 10], [14, 41])}, episode("splint", 14, 42, design=DYNAMIC))
    assert found.gains[0].change.amount == -20
    (found,) = told({"in-orthosis": ([30, 10], [14, 50])}, episode("splint", 14, 42, design=DYNAMIC))
    assert any(note.startswith("for 1 of 2 readings in an orthosis none is on record") for note in found.notes)


def test_a_total_is_held_where_one_of_its_joints_is(course) -> None:
    total = course(
        [200], site=Site("right", "ring"), measure="total-active-motion", conditions={"joints": "mcp pip dip"}
    )
    assert holds({"ring-pip"}, total)
    assert not holds({"ring-pip"}, replace(total, conditions={"joints": "mcp dip"}))
    assert not holds({"index-pip"}, total)
    assert holds({"ring-pip"}, course([1], site=PIP))
    assert not holds({"ring-mcp"}, course([1], site=PIP))


def test_what_is_left_after_it_came_off(told) -> None:
    """Just out of the last cast 85, free the next day 80, two weeks later 72; what came with the next is not of it."""
    lines = {"out-of-orthosis": ([60, 85], [21, 42]), "free": ([58, 80, 72, 95], [0, 43, 56, 75])}
    (found,) = told(lines, episode("cast 1", 14, 42), episode("cast 2", 70, 80))
    first, second = found.decay
    assert (first.orthosis, (first.removed - FIRST).days) == ("cast 1, day and night", 42)
    assert (first.at_once.amount, first.after.amount, first.after.days) == (-5, -8, 13)
    assert second.after.amount.rule == "no-reading"
    assert isinstance(second.at_once.amount, Missing)


def test_without_a_reading_in_or_just_out_there_is_no_response(told) -> None:
    assert told({"free": ([40, 48], [14, 43]), "unknown": ([40, 48], [14, 43])}) == ()
    assert told({"in-orthosis": ([], [])})[0].gains == ()


def test_fieller_is_where_the_weighted_difference_is_at_its_limit() -> None:
    """Another route: the limits are the roots of (b - R a)^2 = z^2 (var_b + R^2 var_a) (Fieller 1954; as a quadratic at
    rdrr.io/cran/twopartm, FiellerRatio). No published example with numbers was found.
    """
    for b, a, var_b, var_a in ((2, 30, 32, 32), (28, 30, 32, 32), (-10, 25, 20, 50), (12, -40, 32, 8)):
        roots = sorted(np.roots([a * a - Z * Z * var_a, -2 * a * b, b * b - Z * Z * var_b]).real)
        assert fieller(b, a, var_b, var_a) == pytest.approx(roots, rel=1e-9)


def test_fieller_covers_the_true_share_as_often_as_it_says() -> None:
    """95% of 20,000 invented pairs; the divisor is far from 0, so that nearly every pair has an interval."""
    rng, n, sem = np.random.default_rng(20260302), 20_000, 4.0
    spread = sem * sqrt(2)
    upper, lower = rng.normal(15, spread, n), rng.normal(40, spread, n)
    variance = 2 * sem**2
    inside = [
        low <= 15 / 40 <= high
        for b, a in zip(upper, lower, strict=True)
        if a > Z * spread
        for low, high in [fieller(b, a, variance, variance)]
    ]
    assert len(inside) > 0.999 * n
    assert np.mean(inside) == pytest.approx(0.95, abs=0.006)


def test_fieller_has_no_interval_where_the_divisor_may_be_none() -> None:
    """The gate of the answer and the limit of the method are one: 1.96 x sqrt(2) x SEM (PMC6558857, table 1)."""
    with pytest.raises(ValueError, match="differ from 0"):
        fieller(5, 11.08, 32, 32)
    assert fieller(5, 11.1, 32, 32)[1] > 10
