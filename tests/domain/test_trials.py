"""Single attempts, and the rules that make one value of them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.kinds import KINDS
from service.domain.measurement import Absent, Entry, Quantity
from service.domain.trials import read_trials, read_with_trials, summary_rule
from service.errors import Invalid

GRIP = KINDS["grip-strength"]


def entry(trials="", value="", rule="", unit="kgf") -> Entry:
    fields = {"summary_rule": rule} if rule else {}
    return Entry("grip-strength", "right", "hand", value, unit, fields=fields, trials=tuple(trials.split()))


def test_the_order_and_the_decimals_of_the_trials_stay() -> None:
    trials = read_trials(entry("30.0 stopped-for-pain 32"))
    assert [str(t.number) if isinstance(t, Quantity) else t.reason for t in trials] == [
        "30.0",
        "stopped-for-pain",
        "32",
    ]


@pytest.mark.parametrize(
    ("trials", "value", "rule"),
    [("30 31", "", "mean-of-trials"), ("", "30", "single-value")],
)
def test_the_rule_where_none_is_named(trials, value, rule) -> None:
    assert summary_rule(entry(trials, value)) == rule


@given(st.lists(st.decimals(0, 100, places=1), min_size=1, max_size=6))
def test_the_mean_is_exact_to_one_decimal_more(trials) -> None:
    found = read_with_trials(GRIP, entry(" ".join(map(str, trials))))
    assert abs(found.number - sum(trials) / len(trials)) <= Decimal("0.005")
    assert min(trials) <= found.number <= max(trials)


@given(st.lists(st.decimals(0, 100, places=1), min_size=1, max_size=6))
def test_the_best_is_one_of_them(trials) -> None:
    assert read_with_trials(GRIP, entry(" ".join(map(str, trials)), rule="best-of-trials")).number == max(trials)


def test_a_trial_not_done_does_not_count_as_0() -> None:
    assert read_with_trials(GRIP, entry("30 not-performed 20")).number == 25


def test_no_trial_done_is_absent_with_the_reason_of_the_first() -> None:
    assert read_with_trials(GRIP, entry("stopped-for-pain not-performed")) == Absent("stopped-for-pain")


@pytest.mark.parametrize("value", ["31", "31.0", "31.04"])
def test_a_given_value_may_say_what_the_trials_say(value) -> None:
    assert read_with_trials(GRIP, entry("30 31 32", value)).number == 31


@pytest.mark.parametrize(("value", "rule"), [("32", ""), ("31", "best-of-trials"), ("31.2", "mean-of-trials")])
def test_a_given_value_that_differs_is_refused(value, rule) -> None:
    with pytest.raises(Invalid, match="The value given differs"):
        read_with_trials(GRIP, entry("30 31 32", value, rule))


def test_an_unknown_rule_is_refused_by_name() -> None:
    with pytest.raises(Invalid, match="'median' is not a rule"):
        read_with_trials(GRIP, entry("30 31 32", rule="median"))


def test_a_trial_that_is_no_number_is_refused() -> None:
    with pytest.raises(Invalid, match="'x' is not a number"):
        read_with_trials(GRIP, entry("30 x"))
