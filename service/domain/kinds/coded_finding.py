"""Coded finding: a test that needs no arithmetic, positive or negative, from a list that a clinic extends.

The list is a JSON file: `{"tests": {"code": "what the test is called"}}`. A clinic's own codes begin with `own-`, so
that no later release of this list can mean something else by one. A test that was not done is a missing value.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service.domain.anatomy import PARTS
from service.domain.concepts import forget_concepts
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value
from service.errors import Issue, Misconfigured

_OWN = re.compile(r"own(-[a-z0-9]+)+")
FILE = Path(__file__).with_name("coded_finding_tests.json")
TESTS: dict[str, Term] = {}


def add_tests(tests: Mapping[str, str]) -> None:
    """Extend the list for this process, with all of these tests or none.

    Raises `Misconfigured` for each code that the list has already with other words: codes never change meaning.
    """
    taken = [
        Issue("duplicate", f"The finding '{code}' is in the list already, as: {TESTS[code].display}.", code, title)
        for code, title in tests.items()
        if code in TESTS and TESTS[code].display != title
    ]
    if taken:
        raise Misconfigured(*taken)
    TESTS.update((code, Term(code, title)) for code, title in tests.items())
    forget_concepts(KIND)


def tests_in(text: str) -> dict[str, str]:
    """The tests that a JSON text lists. Raises `Misconfigured` for any other form, and for a code listed twice."""
    try:
        listed = json.loads(text, object_pairs_hook=_each_once)
    except ValueError as error:
        raise Misconfigured(Issue("structure", f"The list of findings is not JSON: {error}.")) from error
    tests = listed.get("tests") if isinstance(listed, dict) and len(listed) == 1 else None
    if not isinstance(tests, dict) or not all(isinstance(title, str) for title in tests.values()):
        message = 'The list of findings is not of the form {"tests": {"code": "what the test is called"}}.'
        raise Misconfigured(Issue("structure", message))
    return tests


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(name for n, (name, _) in enumerate(pairs) if name in dict(pairs[:n]))
        raise Misconfigured(Issue("duplicate", f"'{twice}' is listed twice.", twice, expected="each code once"))
    return found


def require_own(tests: Mapping[str, str]) -> None:
    """Raises `Misconfigured` for each test of a clinic's own list whose code or words cannot be used."""
    issues = []
    for code, title in tests.items():
        if len(code) > 64 or not _OWN.fullmatch(code):
            message = f"'{code}' cannot be the code of a finding of a clinic's own."
            expected = "own- and then small letters, digits and single hyphens, up to 64 characters"
            issues.append(Issue("value", message, code, code, "own-code", expected))
        if title != title.strip() or not 0 < len(title) <= 200 or not title.isprintable():
            message = f"The finding '{code}' needs its words."
            issues.append(Issue("value", message, code, title, "own-words", "one line of 1 to 200 characters"))
    if issues:
        raise Misconfigured(*issues)


TEST = Field("finding", "The test", TESTS, required=True)
KIND = MeasurementKind(
    name="coded-finding",
    version=1,
    title="Coded finding",
    description="Result of a clinical test that needs no arithmetic: positive, negative or inconclusive.",
    sites=tuple(key for key, part in PARTS.items() if part.kind not in ("person", "half-zone")),
    stem="finding",
    axes=(TEST,),
    fields=(),
    units=(),
    values=terms(
        Term("positive", "positive"), Term("negative", "negative"), Term("inconclusive", "cannot be told"),
    ),
    series_key=("site", "finding", "treatment", "repeat"),
    watched=("performer", "pain_limited"),
    read=read_value,
    on_stump=True,
    display=in_words("Finding", TEST),
)  # fmt: skip
add_tests(tests_in(FILE.read_text(encoding="utf-8")))
