"""Words for units: what contradicts a code, and what does not."""

from __future__ import annotations

import pytest

from service.domain.unit_words import contradicts
from service.domain.units import UNITS


@pytest.mark.parametrize("code", UNITS)
def test_a_unit_s_own_names_never_contradict_it(code: str) -> None:
    for words in (code, UNITS[code].name, UNITS[code].name.upper(), f"{UNITS[code].name}s", f" {UNITS[code].name} "):
        assert not contradicts(words, code)


DIALS = {("kg", "kgf"), ("g", "gf"), ("[lb_av]", "[lbf_av]")}
"""What a dial may be marked with although it shows a force."""


@pytest.mark.parametrize("code", UNITS)
def test_the_name_of_any_other_unit_contradicts(code: str) -> None:
    others = [unit for unit in UNITS.values() if unit.code != code]
    assert {unit.code for unit in others if not contradicts(unit.name, code)} == {m for m, f in DIALS if f == code}


@pytest.mark.parametrize(
    ("words", "code", "is_other"),
    [
        ("kg", "kgf", False), ("kg", "kg", False), ("kg", "[lbf_av]", True), ("kg", "N", True),
        ("lbs", "[lbf_av]", False), ("pounds", "[lb_av]", False), ("lb", "kgf", True), ("lbf", "[lb_av]", True),
        ("g", "gf", False), ("grams", "kgf", True), ("kilopond", "kg", True), ("°", "deg", False), ("°", "%", True),
        ("inches", "cm", True), ("cc", "mL", False), ("centimeters", "cm", False), ("millimeter", "cm", True),
        ("seconds", "min", True), ("percent", "%", False), ("  Kilogram   force ", "N", False),
        ("Grad", "deg", False), ("", "deg", False), ("pound  force", "kgf", True),
    ],
)  # fmt: skip
def test_words_in_common_use(words: str, code: str, is_other: bool) -> None:
    assert contradicts(words, code) is is_other
