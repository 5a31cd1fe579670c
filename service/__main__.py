"""What an operator types: `handrecord COMMAND`, also `python -m service COMMAND`."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer
from rich import progress as bars
from rich.console import Console
from sqlalchemy.exc import DatabaseError

from service import settings
from service.domain.actor import LOCAL
from service.domain.result_json import plain
from service.errors import RecordError
from service.fhir import text
from service.printing import print_import, print_issues, print_orthoses, print_reading, print_summary
from service.storage.records import Reader, Records
from service.usecases.audit import attended
from service.usecases.imports import Progress
from service.usecases.orthosis_clinic import clinic_of
from service.usecases.people import find_patient
from service.usecases.summaries import summary_of
from service.usecases.visit_input import Person

app = typer.Typer(
    name="handrecord",
    help="Hand-therapy measurements and orthosis episodes as coded, validated FHIR R4.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
audit = typer.Typer(help="The trail of who did what.", no_args_is_help=True)
app.add_typer(audit, name="audit")
out = Console(highlight=False)
err = Console(stderr=True, highlight=False)

SHOWN = ("https://invented-clinic.example/patient", "INVENTED-4")
"""The invented patient whose summary the demo prints."""

Database = Annotated[
    str, typer.Option("--database", help="SQLAlchemy URL; else HANDRECORD_DATABASE_URL.", show_default=False)
]


@contextmanager
def told() -> Iterator[None]:
    """Errors of the record as sentences, with exit code 1; anything else is a defect and shows as one."""
    try:
        yield
    except RecordError as error:
        print_issues(err, error.issues)
        raise typer.Exit(1) from None
    except (OSError, DatabaseError) as error:
        err.print(f"error: A file or the database cannot be used: {getattr(error, 'orig', error)}.", markup=False)
        raise typer.Exit(1) from None


def _url(database: str) -> str:
    return database or settings.load().database_url


@contextmanager
def _opened(database: str) -> Iterator[Records]:
    records = Records.open(_url(database))
    try:
        yield records
    finally:
        records.close()


Result = TypeVar("Result")


def _of_patient(database: str, patient: str, job: Callable[[Reader, str], Result]) -> Result:
    """What `job` reads of a patient, found by id or by SYSTEM|VALUE, written down as shown."""

    system, bar, value = patient.partition("|")
    named = Person(identifier=(system, value)) if bar else Person(id=patient)
    with _opened(database) as records, attended(records, LOCAL), records.read() as reader:
        return job(reader, find_patient(reader, named).id)


@app.command()
def demo(
    file: Annotated[Path, typer.Option(help="SQLite file to create.")] = Path("handrecord-demo.sqlite"),
) -> None:
    """Create a SQLite file, load the invented example clinic, and show what came of it."""
    from service.exchange.scenario import load

    shown = Person(identifier=SHOWN)
    with told():
        records = Records.create(f"sqlite:///{file}")
        out.print("[bold]The example clinic: every name in it is invented.[/bold]\n")
        for report in load(records, LOCAL):
            print_import(out, report)
        with attended(records, LOCAL), records.read() as reader:
            print_summary(out, summary_of(reader, LOCAL, find_patient(reader, shown).id))
        records.close()
    where = "http://127.0.0.1:8000/docs   http://127.0.0.1:8000/fhir/metadata"
    out.print(f"\nTo serve it:    handrecord serve --database sqlite:///{file}\nWhere to look:  {where}")


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on; else HANDRECORD_HOST.", show_default=False)] = "",
    port: Annotated[int | None, typer.Option(help="Else HANDRECORD_PORT.", min=0, max=65535)] = None,
    database: Database = "",
) -> None:
    """Answer on this computer, until interrupted."""
    from service.web.server import serve as answer

    given = {"host": host or None, "port": port, "database_url": database or None}
    with told():
        answer(settings.load().model_copy(update={name: value for name, value in given.items() if value is not None}))


@app.command()
def migrate(database: Database = "") -> None:
    """Bring the database to the schema of this release."""
    from service.storage.records import migrate as bring

    with told():
        bring(_url(database))
    out.print("The database has the schema of this release.")


@app.command(name="import")
def import_(
    files: Annotated[list[Path], typer.Argument(help="Files of readings (CSV or XLSX), or a clinic's JSON.")],
    header: Annotated[Path | None, typer.Option(help="Header file with constants for the rows.")] = None,
    create_patients: Annotated[bool, typer.Option(help="Create patients that are not in the record.")] = False,
    dry_run: Annotated[bool, typer.Option(help="Say what would happen, and change nothing.")] = False,
    database: Database = "",
) -> None:
    """Take readings in from files. Importing the same again adds nothing."""
    from service.exchange.files import import_file

    refused = False
    with told(), _opened(database) as records:
        for file in files:
            with _bar(file.name) as progress:
                report = import_file(
                    records, LOCAL, file, header=header, create_patients=create_patients, dry_run=dry_run,
                    zone=settings.load().zone_info, progress=progress,
                )  # fmt: skip
            print_import(out, report)
            refused = refused or bool(report.refused)
    if refused:
        raise typer.Exit(1)


@app.command()
def columns(
    kind: Annotated[str, typer.Argument(help="A kind of measurement; else what every file may have.")] = "",
) -> None:
    """The columns of a spreadsheet of readings, as a Markdown table."""
    from service.exchange.columns import table

    with told():
        sys.stdout.write(table(kind) + "\n")


@contextmanager
def _bar(name: str) -> Iterator[Progress]:
    columns = (bars.TextColumn("{task.description}"), bars.BarColumn(), bars.TaskProgressColumn())
    with bars.Progress(*columns, console=err, transient=True) as shown:
        task = shown.add_task(name, total=None)

        def show(done: int, total: int | None) -> None:
            shown.update(task, completed=done, total=total)

        yield show


@app.command()
def summary(
    patient: Annotated[str, typer.Argument(help="The patient's resource id, or SYSTEM|VALUE of an identifier.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    database: Database = "",
) -> None:
    """What a clinician wants to see of one patient: motion, grip and touch, now and at the start."""
    from service.domain.summary import as_json as to_json

    with told():
        found = _of_patient(database, patient, lambda reader, ident: summary_of(reader, LOCAL, ident))
        _print_json(to_json(found)) if as_json else print_summary(out, found)


@app.command()
def orthoses(
    patient: Annotated[str, typer.Argument(help="The patient's resource id, or SYSTEM|VALUE of an identifier.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    database: Database = "",
) -> None:
    """A patient's orthoses: what is worn now and since when, what is due and why."""
    from service.usecases.orthosis_views import Moment, of_patient

    with told():
        clinic, moment = clinic_of(settings.load().orthosis_file), Moment.present(settings.load().zone_info)
        found = _of_patient(database, patient, lambda reader, ident: of_patient(reader, LOCAL, ident, clinic, moment))
        _print_json(found) if as_json else print_orthoses(out, found)


@app.command()
def orthosis(
    episode: Annotated[str, typer.Argument(help="The episode's id, as `handrecord orthoses` shows it.")],
    events: Annotated[
        Path | None, typer.Option(help="JSON file of events that happened, to record first: all, or none.")
    ] = None,
    database: Database = "",
) -> None:
    """One orthosis episode as JSON: its events, dose, safety texts, and what its report lacks."""
    from service.usecases.form import filled
    from service.usecases.orthoses import read_episode, record
    from service.usecases.orthosis_input import EventsForm
    from service.usecases.orthosis_views import Moment, full

    with told(), _opened(database) as records:
        zone = settings.load().zone_info
        clinic, moment = clinic_of(settings.load().orthosis_file), Moment.present(zone)
        if events:
            form = filled(text.parse(events.read_bytes()), EventsForm)
            with attended(records, LOCAL), records.write(LOCAL) as writer:
                happened = [event.made(writer, zone) for event in form.events]
                record(writer, LOCAL, episode, happened, after=form.after)
        with attended(records, LOCAL), records.read() as reader:
            found = full(reader, read_episode(reader, LOCAL, episode), clinic, moment)
        _print_json(found)


def _print_json(found: Any) -> None:
    from service.fhir.text import dump

    sys.stdout.write(json.dumps(json.loads(dump(found)), indent=2, ensure_ascii=False) + "\n")


@app.command()
def shorthand(
    line: Annotated[str, typer.Argument(help="One line, such as: R index PIP AROM 20-90")],
    declared: Annotated[str, typer.Option(help="Words that hold for every line, such as the convention.")] = "",
) -> None:
    """Show what one line of shorthand is read as. Nothing is stored."""
    from service.usecases.shorthand import questions_about, read_line

    with told():
        reading = read_line(line, declared)
        print_reading(out, reading)
        print_issues(out, questions_about(reading))


@app.command()
def schemas(
    folder: Annotated[Path, typer.Argument(help="Where to write them.")] = Path("schemas"),
    check: Annotated[bool, typer.Option(help="Write nothing; fail if a file is stale.")] = False,
) -> None:
    """Write the generated FHIR definitions and the OpenAPI document."""
    from service.web.schemas import stale, write

    changed = stale(folder) if check else write(folder)
    for name in changed:
        out.print(f"{'stale' if check else 'written'}: {name}")
    if check and changed:
        raise typer.Exit(1)


@app.command()
def repeatability(database: Database = "") -> None:
    """The clinic's own measurement error, from readings that were marked as repeats."""
    from service.usecases.metrics import repeatability_of

    with told(), _opened(database) as records, attended(records, LOCAL), records.read() as reader:
        _print_json({"repeatability": plain(repeatability_of(reader, LOCAL))})


@audit.command()
def verify(database: Database = "") -> None:
    """Find removal or alteration in the trail of who did what."""
    with told(), _opened(database) as records, records.read() as reader:
        verdict = reader.verify_events()
    out.print(f"{verdict.events} events, {len(verdict.faults)} faults")
    heads = [f"head of chain {chain}: {length} {link}" for chain, (length, link) in sorted(verdict.heads.items())]
    for line in (*heads, *(f"fault: {fault}" for fault in verdict.faults)):
        out.print(line, markup=False, soft_wrap=True)
    if verdict.faults:
        raise typer.Exit(1)


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
