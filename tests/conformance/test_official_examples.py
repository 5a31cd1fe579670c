"""HL7's own R4 example resources, which nobody of this project wrote (hl7.fhir.r4.examples 4.0.1, CC0-1.0)."""

from __future__ import annotations

import json
import os
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.fhir.definitions import VALIDATED_TYPES
from service.fhir.text import dump, parse
from service.fhir.validation import issues_of

from .known_invalid import KNOWN_INVALID

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "r4-examples"
EXAMPLES = sorted(path for path in FOLDER.glob("*.json") if path.name.split("-")[0] in VALIDATED_TYPES)

if not EXAMPLES:
    pytest.skip(f"the official examples are not at {FOLDER}", allow_module_level=True)


def by_name(path: Path) -> str:
    return path.stem


def as_written(text: bytes) -> Any:
    """The value of a JSON text by the standard library alone, each number as its digits stand."""
    return json.loads(text, parse_float=lambda token: ("number", Decimal(token).as_tuple()), parse_int=str)


@pytest.mark.parametrize("path", EXAMPLES, ids=by_name)
def test_text_survives_reading_and_writing(path: Path) -> None:
    text = path.read_bytes()
    assert as_written(dump(parse(text))) == as_written(text)


@pytest.mark.parametrize("path", EXAMPLES, ids=by_name)
def test_is_valid_unless_known_to_break_r4(path: Path) -> None:
    errors = [str(issue) for issue in issues_of(parse(path.read_bytes())) if issue.severity == "error"]
    if path.name in KNOWN_INVALID:
        assert len(errors) == 1
    else:
        assert errors == []


def test_every_known_exception_is_among_the_examples() -> None:
    assert KNOWN_INVALID.keys() <= {path.name for path in EXAMPLES}
