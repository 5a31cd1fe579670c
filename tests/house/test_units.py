"""The record's units against ucumvert, a UCUM parser that brings pint's conversion factors."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import product

import pytest
from lark.exceptions import LarkError
from ucumvert import PintUcumRegistry

from service.domain.units import UNITS, convert
from service.errors import Invalid

PAIRS = list(product(UNITS, repeat=2))


@pytest.fixture(scope="module")
def registry() -> PintUcumRegistry:
    return PintUcumRegistry()


@pytest.mark.parametrize("code", UNITS)
def test_code_is_ucum(registry: PintUcumRegistry, code: str) -> None:
    assert registry.from_ucum(code).magnitude == 1
    assert UNITS[code].code == code


@pytest.mark.parametrize("code", ["degree", "lbf", "[kgf]", "kg[f]"])
def test_the_parser_refuses_what_is_not_ucum(registry: PintUcumRegistry, code: str) -> None:
    with pytest.raises(LarkError):
        registry.from_ucum(code)


def test_factors_agree(registry: PintUcumRegistry) -> None:
    """Within a dimension every ratio of sizes is pint's (which computes in floats: 1e-12)."""
    for here, there in PAIRS:
        if UNITS[here].dimension == UNITS[there].dimension:
            theirs = registry.from_ucum(here).to(registry.from_ucum(there).units).magnitude
            ours = UNITS[here].size / UNITS[there].size
            assert abs(Fraction(theirs) / ours - 1) < Fraction(1, 10**12), (here, there)


def test_dimensions_agree(registry: PintUcumRegistry) -> None:
    """What pint cannot convert, the record refuses. To pint, angle and ratio are one dimension."""
    for here, there in PAIRS:
        alike = registry.from_ucum(here).is_compatible_with(registry.from_ucum(there))
        if not alike or {UNITS[here].dimension, UNITS[there].dimension} == {"angle", "ratio"}:
            with pytest.raises(Invalid):
                convert(Decimal(1), here, there)
        else:
            assert UNITS[here].dimension == UNITS[there].dimension, (here, there)


@pytest.mark.parametrize(
    ("value", "here", "there"), [("41.5", "kgf", "[lbf_av]"), ("90", "[lbf_av]", "N"), ("2.83", "gf", "mN")]
)
def test_converted_values_agree(registry: PintUcumRegistry, value: str, here: str, there: str) -> None:
    theirs = (float(value) * registry.from_ucum(here)).to(registry.from_ucum(there).units).magnitude
    assert float(convert(Decimal(value), here, there)) == pytest.approx(theirs, abs=1e-6)
