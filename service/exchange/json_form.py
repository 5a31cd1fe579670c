"""JSON files that people write, held against the form they must have."""

from __future__ import annotations

from pathlib import Path

from service.errors import Malformed
from service.fhir import text
from service.usecases.form import Filled, filled


def read_form(path: Path, form: type[Filled]) -> Filled:
    """The file as this form. Raises `Malformed` with every fault and its place in the file."""
    return filled(read_object(path), form, path.name)


def read_object(path: Path) -> text.Json:
    """The JSON object in the file. Raises `Malformed` with the place of the fault in the file."""
    try:
        return text.parse(path.read_bytes())
    except Malformed as error:
        raise Malformed(*(issue.at(path.name) for issue in error.issues)) from None
