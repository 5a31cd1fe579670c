"""JSON files that people write, held against the form they must have."""

from __future__ import annotations

from pathlib import Path

from service.fhir import text
from service.usecases.form import Filled, filled


def read_form(path: Path, form: type[Filled]) -> Filled:
    """The file as this form. Raises `Malformed` with every fault and its place in the file."""
    return filled(text.parse(path.read_bytes()), form, path.name)
