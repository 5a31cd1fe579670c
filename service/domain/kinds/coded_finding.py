"""Coded finding: a test that needs no arithmetic, positive or negative, from a list that a clinic extends.

The list is a JSON file: `{"tests": {"code": "what the test is called"}}`. A test that was not done is a missing value.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from service.domain.anatomy import PARTS
from service.domain.concepts import forget_concepts
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value
from service.errors import Misconfigured

FILE = Path(__file__).with_name("coded_finding_tests.json")
TESTS: dict[str, Term] = {}


def add_tests(tests: Mapping[str, str]) -> None:
    """Extend the list for this process. A code that the list has already is refused: codes never change meaning."""
    for code, title in tests.items():
        known = TESTS.get(code)
        if known and known.display != title:
            raise Misconfigured(f"The finding '{code}' is in the list already, as: {known.display}.")
        TESTS[code] = Term(code, title)
    forget_concepts(KIND)


def tests_in(text: str) -> dict[str, str]:
    """The tests that a JSON text lists. Raises `Misconfigured` for any other form."""
    try:
        listed = json.loads(text)["tests"]
        return {str(code): str(title) for code, title in listed.items()}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        message = 'The list of findings is not of the form {"tests": {"code": "what the test is called"}}.'
        raise Misconfigured(message) from error


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
