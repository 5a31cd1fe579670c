"""The record's units against ucumvert, a UCUM parser that brings pint's conversion factors."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from lark import Token
from lark.exceptions import LarkError
from ucumvert import PintUcumRegistry

from service.domain.units import UNITS, convert
from service.errors import Invalid

PAIRS = list(product(UNITS, repeat=2))
Theirs = Callable[[str], Any]


@pytest.fixture(scope="module")
def theirs() -> Theirs:
    """A UCUM code as pint's quantity. An annotation alone is the unit 1 (https://ucum.org/ucum, §12)."""
    registry = PintUcumRegistry()

    def quantity(code: str) -> Any:
        found = registry.from_ucum(code)
        return registry.Quantity(1) if isinstance(found, Token) and found.type == "ANNOTATION" else found

    return quantity


@pytest.mark.parametrize("code", UNITS)
def test_code_is_ucum(theirs: Theirs, code: str) -> None:
    assert theirs(code).magnitude == 1
    assert UNITS[code].code == code


@pytest.mark.parametrize("code", ["degree", "lbf", "[kgf]", "kg[f]"])
def test_the_parser_refuses_what_is_not_ucum(theirs: Theirs, code: str) -> None:
    with pytest.raises(LarkError):
        theirs(code)


def test_factors_agree(theirs: Theirs) -> None:
    """Within a dimension every ratio of sizes is pint's (which computes in floats: 1e-12)."""
    for here, there in PAIRS:
        if UNITS[here].dimension == UNITS[there].dimension:
            ratio = theirs(here).to(theirs(there).units).magnitude
            ours = UNITS[here].size / UNITS[there].size
            assert abs(Fraction(ratio) / ours - 1) < Fraction(1, 10**12), (here, there)


def test_dimensions_agree(theirs: Theirs) -> None:
    """What pint cannot convert, the record refuses; and it keeps apart what to pint are all plain numbers."""
    for here, there in PAIRS:
        same = UNITS[here].dimension == UNITS[there].dimension
        assert same <= theirs(here).is_compatible_with(theirs(there)), (here, there)
        if not same:
            assert theirs(here).dimensionless or not theirs(here).is_compatible_with(theirs(there)), (here, there)
            with pytest.raises(Invalid):
                convert(Decimal(1), here, there)


@pytest.mark.parametrize(
    ("value", "here", "there"), [("41.5", "kgf", "[lbf_av]"), ("90", "[lbf_av]", "N"), ("2.83", "gf", "mN")]
)
def test_converted_values_agree(theirs: Theirs, value: str, here: str, there: str) -> None:
    converted = (float(value) * theirs(here)).to(theirs(there).units).magnitude
    assert float(convert(Decimal(value), here, there)) == pytest.approx(converted, abs=1e-6)
