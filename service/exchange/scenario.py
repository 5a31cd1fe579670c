"""The example clinic: one scenario of invented people, taken in as a clinic would hand it over."""

from __future__ import annotations

from pathlib import Path

from service.domain.actor import Actor
from service.errors import Conflict, Issue, NotFound
from service.exchange.files import import_file
from service.fhir.search_parameters import parse
from service.storage.records import Records
from service.usecases.import_report import Report

SHOWN = ("https://invented-clinic.example/patient", "INVENTED-4")
"""The invented patient by whom the example clinic is known, and whose summary is shown first."""
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
    """Take the example clinic in; what came of each file. Raises `Conflict` where a record holds other people."""
    _require_own(records)
    place = folder or examples_folder()
    return [import_file(records, actor, place / name, create_patients=True) for name in FILES]


def _require_own(records: Records) -> None:
    with records.read() as reader:
        if reader.search(parse("Patient", [("_count", "1")])).matches and not reader.by_identifier("Patient", *SHOWN):
            message = "This record holds other patients: the invented people of the example do not belong among them."
            raise Conflict(Issue("conflict", message, "--file", expected="a file that is not there yet"))
