"""Exact conversion between units of one dimension."""

from __future__ import annotations

from decimal import Decimal
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.units import UNITS, convert, unit
from service.errors import Invalid

PAIRS = [(a, b) for a, b in product(UNITS, repeat=2) if UNITS[a].dimension == UNITS[b].dimension]
OTHERS = [(a, b) for a, b in product(UNITS, repeat=2) if UNITS[a].dimension != UNITS[b].dimension]


@pytest.mark.check_values("lb_to_kg")
def test_pounds_to_kilograms(row) -> None:
    row.check(convert(row.inputs["lb"], "[lb_av]", "kg"))


@pytest.mark.check_values("lbf_to_N")
def test_pounds_force_to_newtons(row) -> None:
    row.check(convert(row.inputs["lbf"], "[lbf_av]", "N"))


@pytest.mark.check_values("monofilament_target_mN")
def test_grams_force_to_millinewtons(row) -> None:
    row.check(convert(row.inputs["target_g"], "gf", "mN"))


@given(st.sampled_from(PAIRS), st.decimals(0, 10_000, places=3))
def test_there_and_back_is_the_same(pair, value) -> None:
    here, there = pair
    assert convert(convert(value, here, there, places=12), there, here) == value


@given(st.sampled_from(PAIRS), st.decimals(0, 1000, places=2), st.decimals(0, 1000, places=2))
def test_more_is_more_in_every_unit(pair, a, b) -> None:
    first, second = (convert(v, *pair, places=12) for v in sorted((a, b)))
    assert first <= second
    assert (first < second) == (a != b)


@pytest.mark.parametrize(("here", "there"), OTHERS)
def test_dimensions_do_not_mix(here, there) -> None:
    with pytest.raises(Invalid, match="one cannot be turned into the other"):
        convert(Decimal(1), here, there)


def test_force_is_not_mass() -> None:
    with pytest.raises(Invalid, match="kilogram measures mass"):
        convert(Decimal(30), "kg", "kgf")


@pytest.mark.parametrize("value", ["1.50", "0", "100.00"])
def test_the_same_unit_leaves_the_decimals_as_written(value) -> None:
    assert str(convert(Decimal(value), "kgf", "kgf")) == value


@pytest.mark.parametrize(
    ("value", "here", "there", "expected"),
    [("100", "cm", "mm", "1000"), ("10", "mm", "cm", "1"), ("1", "[in_i]", "mm", "25.4"), ("1", "kgf", "N", "9.80665")],
)
def test_no_zeros_that_were_not_there(value, here, there, expected) -> None:
    assert str(convert(Decimal(value), here, there)) == expected


@pytest.mark.parametrize(("wrong", "hint"), [("degrees", "deg"), ("lbf", r"\[lbf_av\]"), ("furlong", "one of deg")])
def test_an_unknown_unit_is_refused_with_the_near_miss(wrong, hint) -> None:
    with pytest.raises(Invalid, match=hint):
        unit(wrong)
