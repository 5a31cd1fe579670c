"""What every command shares: where it prints, how it tells an error, how it opens the record."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated, Any, TypeVar

import typer
from rich.console import Console
from sqlalchemy.exc import DatabaseError

from service import settings
from service.domain.actor import LOCAL
from service.errors import RecordError
from service.fhir import text
from service.printing import print_issues
from service.storage.records import Reader, Records
from service.usecases.audit import attended
from service.usecases.people import find_patient
from service.usecases.visit_input import Person

out = Console(highlight=False)
err = Console(stderr=True, highlight=False)

Database = Annotated[
    str, typer.Option("--database", help="SQLAlchemy URL; else HANDRECORD_DATABASE_URL.", show_default=False)
]
PatientName = Annotated[
    str, typer.Argument(metavar="PATIENT", help="The patient's resource id, or SYSTEM|VALUE of an identifier.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Result = TypeVar("Result")


@contextmanager
def told() -> Iterator[None]:
    """Errors of the record as sentences, with exit code 1; anything else is a defect and shows as one."""
    try:
        yield
    except RecordError as error:
        print_issues(err, error.issues)
        raise typer.Exit(1) from None
    except OSError as error:
        err.print(f"error: {error.filename or 'A file'} cannot be used: {error.strerror or error}.", markup=False)
        raise typer.Exit(1) from None
    except DatabaseError as error:
        err.print(f"error: The database cannot be used: {error.orig}.", markup=False)
        raise typer.Exit(1) from None


def url_of(database: str) -> str:
    """The database a command was given, or the one of the settings."""
    return database or settings.load().database_url


@contextmanager
def opened(database: str) -> Iterator[Records]:
    """The record in this database, closed afterwards."""
    records = Records.open(url_of(database))
    try:
        yield records
    finally:
        records.close()


def of_patient(database: str, patient: str, job: Callable[[Reader, str], Result]) -> Result:
    """What `job` reads of a patient, found by id or by SYSTEM|VALUE, written down as shown."""
    system, bar, value = patient.partition("|")
    named = Person(identifier=(system, value)) if bar else Person(id=patient)
    with opened(database) as records, attended(records, LOCAL), records.read() as reader:
        return job(reader, find_patient(reader, named).id)


def print_json(found: Any) -> None:
    """Print what was found as JSON, every number as it is stored."""
    sys.stdout.write(json.dumps(json.loads(text.dump(found)), indent=2, ensure_ascii=False) + "\n")
