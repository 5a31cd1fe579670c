"""Units of measure by UCUM code (https://ucum.org), and exact conversion between those of one dimension.

Force is not mass: `kgf` and `kg` do not convert into each other. A dynamometer dial marked "kg" shows `kgf`.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.errors import Invalid, Issue


@dataclass(frozen=True, slots=True)
class Unit:
    """A UCUM unit: its code, what a person calls it, its dimension, and its size in the dimension's reference unit.

    Sizes are exact: 1 kgf = 9.80665 N (CGPM 1901), 1 lb = 0.45359237 kg and 1 in = 25.4 mm (international yard and
    pound agreement 1959). A degree is its own reference unit; nothing here converts to radians. What stands in
    braces is an annotation of UCUM, a bare number to it; two of them never convert into each other here.
    """

    code: str
    name: str
    dimension: str
    size: Fraction


def _exact(text: str) -> Fraction:
    return Fraction(Decimal(text))


_G0 = _exact("9.80665")

UNITS: dict[str, Unit] = {
    unit.code: unit
    for unit in (
        Unit("deg", "degree", "angle", Fraction(1)),
        Unit("N", "newton", "force", Fraction(1)),
        Unit("mN", "millinewton", "force", Fraction(1, 1000)),
        Unit("kgf", "kilogram-force", "force", _G0),
        Unit("gf", "gram-force", "force", _G0 / 1000),
        Unit("[lbf_av]", "pound-force", "force", _exact("0.45359237") * _G0),
        Unit("mm", "millimetre", "length", Fraction(1)),
        Unit("cm", "centimetre", "length", Fraction(10)),
        Unit("[in_i]", "inch", "length", _exact("25.4")),
        Unit("kg", "kilogram", "mass", Fraction(1)),
        Unit("g", "gram", "mass", Fraction(1, 1000)),
        Unit("[lb_av]", "pound", "mass", _exact("0.45359237")),
        Unit("s", "second", "time", Fraction(1)),
        Unit("min", "minute", "time", Fraction(60)),
        Unit("mL", "millilitre", "volume", Fraction(1)),
        Unit("Hz", "hertz", "frequency", Fraction(1)),
        Unit("{score}", "point of a score", "score", Fraction(1)),
        Unit("{piece}", "piece", "pieces", Fraction(1)),
        Unit("1", "number of times", "number", Fraction(1)),
        Unit("%", "percent", "ratio", Fraction(1)),
        Unit("{SD}", "standard deviation", "standard deviations", Fraction(1)),
        Unit("N.m", "newton metre", "torque", Fraction(1)),
        Unit("deg/(N.m)", "degree per newton metre", "compliance", Fraction(1)),
    )
}


def unit(code: str) -> Unit:
    """The unit with this UCUM code; `Invalid` names the near miss where there is one."""
    known = UNITS.get(code)
    if known is None:
        hint = _OFTEN_MEANT.get(code, "one of " + ", ".join(UNITS))
        raise Invalid(Issue("value", f"'{code}' is not a unit this record knows.", "unit", code, "ucum-unit", hint))
    return known


_OFTEN_MEANT = {
    "degree": "deg",
    "degrees": "deg",
    "°": "deg",
    "lbf": "[lbf_av]",
    "lbs": "[lbf_av] for a force",
    "lb": "[lbf_av] for a force",
    "[kgf]": "kgf",
    "kg[f]": "kgf",
    "kp": "kgf",
}


def convert(value: Decimal, source: str, target: str, *, places: int = 6) -> Decimal:
    """`value` expressed in another unit of the same dimension.

    The factor is exact; a result with more than `places` decimals is rounded half-even to that many, and trailing
    zeros that rounding made are dropped. Raises `Invalid` when the dimensions differ.
    """
    if source == target:
        return value
    here, there = unit(source), unit(target)
    if here.dimension != there.dimension:
        raise Invalid(
            Issue(
                "value",
                f"{here.name} measures {here.dimension}, {there.name} measures {there.dimension}: "
                "one cannot be turned into the other.",
                "unit",
                source,
                "ucum-dimension",
                f"a unit of {there.dimension}",
            )
        )
    return rounded(Fraction(value) * here.size / there.size, places)


def rounded(exact: Fraction, places: int = 6) -> Decimal:
    """An exact number with at most `places` decimals, rounded half-even, without trailing zeros."""
    scaled = round(exact * 10**places)
    result = Decimal(scaled).scaleb(-places).normalize()
    return result.quantize(Decimal(1)) if result == result.to_integral_value() else result
