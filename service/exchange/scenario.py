"""The example clinic: one scenario of invented people, taken in as a clinic would hand it over."""

from __future__ import annotations

from pathlib import Path

from service.domain.actor import Actor
from service.errors import NotFound
from service.exchange.files import import_file
from service.storage.records import Records
from service.usecases.import_report import Report

FILES = ("clinic.json", "readings.csv", "readings.xlsx")
"""In the order in which they are taken in: people and orthoses first."""


def examples_folder() -> Path:
    """The folder of the examples, beside the package. Raises `NotFound` where it was installed without them."""
    folder = Path(__file__).resolve().parents[2] / "examples"
    if not (folder / FILES[0]).is_file():
        raise NotFound(
            "The examples are not installed: take a copy of the source and install it with `pip install -e .`."
        )
    return folder


def load(records: Records, actor: Actor, folder: Path | None = None) -> list[Report]:
    """Take the example clinic in; what came of each file."""
    place = folder or examples_folder()
    return [import_file(records, actor, place / name, create_patients=True) for name in FILES]
