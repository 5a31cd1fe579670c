"""No pattern of the service takes more than about linear time, whatever it is given.

Every compiled pattern of every module is fed with long repetitions of what occurs in it, each broken off by something
that does not fit: the texts on which a pattern with ambiguous repetitions takes quadratic or exponential time.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
import string
import time
from collections.abc import Iterator

import pytest

import service

LENGTHS = (6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30, 35, 40, 50, 60, 80, 100, 130, 170, 220, 1000, 4000)
"""Of the repeated text, step by step: whatever grows fast is noticed before it takes for ever."""
MOST_SECONDS = 0.25
"""Of processor time; what is asked here takes well below a thousandth of that."""


_SEARCHED = 400
"""Letters that a pattern is looked for in at every place: those that a whole text must fit are linear only so."""


def patterns() -> dict[str, re.Pattern[str]]:
    found: dict[str, re.Pattern[str]] = {}
    for module in pkgutil.walk_packages(service.__path__, "service."):
        if ".migrations.versions" in module.name or module.name.endswith(("__main__", "migrations.env")):
            continue
        for name, value in vars(importlib.import_module(module.name)).items():
            for number, one in enumerate(_patterns_in(value)):
                if isinstance(one.pattern, str):
                    found.setdefault(one.pattern, one)
                    assert found, (name, number)
    return found


def _patterns_in(value: object) -> Iterator[re.Pattern[str]]:
    if isinstance(value, re.Pattern):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from _patterns_in(one)
    elif isinstance(value, (list, tuple)):
        for one in value:
            yield from _patterns_in(one)


def attacks(pattern: str) -> list[str]:
    """What to repeat: letters of the pattern, examples of the classes it names, and pairs of those."""
    signs = {r"\w": "a", r"\d": "1", r"\s": " ", r"\S": "x", ".": "y", "0-9": "1", "A-Z": "A", "a-z": "a"}
    letters = sorted({c for c in pattern if c in string.ascii_letters + string.digits + " .,:;/|-_+=&%<>\"'@#"})[:8]
    singles = list(dict.fromkeys([*(example for sign, example in signs.items() if sign in pattern), *letters, "1"]))
    return [*singles, *(one + other for one in singles[:4] for other in singles[:4] if one != other)]


def slowest(pattern: re.Pattern[str]) -> tuple[float, str]:
    worst = (0.0, "")
    for piece in attacks(pattern.pattern):
        for length in LENGTHS:
            core = piece * (length // len(piece))
            for text in (f"{core}\x00", f"1{core}!"):
                began = time.process_time()
                pattern.fullmatch(text)
                pattern.search(text[:_SEARCHED])
                worst = max(worst, (time.process_time() - began, text[:40]))
                if worst[0] > MOST_SECONDS:
                    return worst
    return worst


def test_no_pattern_of_the_service_takes_long() -> None:
    every = patterns()
    slow = {}
    for text, pattern in every.items():
        taken, example = slowest(pattern)
        if taken > MOST_SECONDS:
            slow[text] = (taken, example)
    assert slow == {}
    assert len(every) > 50


@pytest.mark.parametrize("pattern", [r"(a+)+b", r"(\w+\d*)*!x", r"(\s*,?\s*)*;"])
def test_a_dangerous_pattern_would_be_found(pattern: str) -> None:
    assert slowest(re.compile(pattern))[0] > MOST_SECONDS
