"""What people call units, and which unit a word can stand for: to notice when a text contradicts a code."""

from __future__ import annotations

from service.domain.units import UNITS

_LOOSE: dict[tuple[str, ...], frozenset[str]] = {
    ("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms", "kilogramme"): frozenset({"kg", "kgf"}),
    ("kp", "kilopond", "kg-force"): frozenset({"kgf"}),
    ("g", "gram", "grams", "gramme"): frozenset({"g", "gf"}),
    ("lb", "lbs", "pound", "pounds"): frozenset({"[lb_av]", "[lbf_av]"}),
    ("lbf", "pounds-force", "pound force"): frozenset({"[lbf_av]"}),
    ("°", "degs"): frozenset({"deg"}),
    ("in", "inches", '"'): frozenset({"[in_i]"}),
    ("millimeter", "millimeters"): frozenset({"mm"}),
    ("centimeter", "centimeters"): frozenset({"cm"}),
    ("milliliter", "milliliters", "cc"): frozenset({"mL"}),
    ("sec", "secs"): frozenset({"s"}),
    ("percent",): frozenset({"%"}),
}
"""Words in common use that are no unit's own name. A dial marked kg or lb shows a force, so these stand for both."""


def _words() -> dict[str, frozenset[str]]:
    found = {word: codes for words, codes in _LOOSE.items() for word in words}
    for code, unit in UNITS.items():
        for word in (code.casefold(), unit.name.casefold(), f"{unit.name.casefold()}s"):
            found[word] = found.get(word, frozenset()) | {code}
    return found


_WORDS = _words()


def contradicts(text: str, code: str) -> bool:
    """Whether a text is the name of a unit, and of another than the one with this UCUM code.

    A text that names no unit known here, as in another language, contradicts nothing.
    """
    meant = _WORDS.get(" ".join(text.casefold().split()))
    return meant is not None and code not in meant
