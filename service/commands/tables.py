"""Commands about flat tables: run a view, list those that are shipped, explain their columns."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import IO, Annotated, Any

import typer

from service.commands.console import Database, opened, out, print_json, told
from service.domain.actor import LOCAL
from service.errors import Malformed
from service.fhir import text
from service.fhir.text import Json
from service.usecases.audit import attended
from service.usecases.views import Selection, run, run_on_index

Out = Annotated[Path | None, typer.Option("--out", help="File to write; else they are printed.", show_default=False)]
Form = Annotated[str, typer.Option("--format", help="ndjson, json, csv or parquet; else as the file's name ends.")]


def view(  # noqa: PLR0913 - the options of the command
    what: Annotated[
        str, typer.Argument(metavar="VIEW", help="A shipped table, or a file with a ViewDefinition (SQL on FHIR v2).")
    ],
    *,
    file: Out = None,
    form: Form = "",
    patient: Annotated[list[str] | None, typer.Option(help="Only this patient's, by id; several times.")] = None,
    group: Annotated[list[str] | None, typer.Option(help="Only of the members of this Group, by id.")] = None,
    since: Annotated[str, typer.Option(help="Only what was changed at this instant or later.")] = "",
    limit: Annotated[int | None, typer.Option(help="At most so many rows.", min=1)] = None,
    header: Annotated[bool, typer.Option(help="With the names of the columns, in CSV.")] = True,
    resources: Annotated[
        list[Path] | None, typer.Option(help="NDJSON file of resources to run over, instead of the record.")
    ] = None,
    database: Database = "",
) -> None:
    """Make flat rows of the record, or of resources in files, by a view."""
    from service.exchange.views.formats import FORMATS, format_of
    from service.exchange.views.runnable import Runnable

    with told():
        runnable = Runnable.of(_view(what))
        ending = file.suffix.removeprefix(".") if file else ""
        chosen = format_of(form or (ending if ending in FORMATS else next(iter(FORMATS))))

        def write(given: Iterable[Json]) -> None:
            _write(file, chosen.write(runnable.columns, islice(runnable.rows(given), limit), header))

        if resources:
            write(each for path in resources for each in _lines(path))
            return
        if runnable.name == "coded-values" and chosen.suffix == "parquet" and not (patient or group or since or limit):
            _from_index(file, database)
            return
        asked = Selection(runnable.kind, tuple(patient or ()), tuple(group or ()), since, runnable.narrowing)
        with opened(database) as records, attended(records, LOCAL), records.read() as reader:
            run(reader, LOCAL, asked, write)


def _from_index(file: Path | None, database: str) -> None:
    """The table that the index alone gives, without reading a document."""
    from service.exchange.views.index_table import BATCH, parquet_of_index
    from service.fhir.observation import OBSERVATION_CODE

    with opened(database) as records, attended(records, LOCAL), records.read() as reader:
        run_on_index(reader, LOCAL, OBSERVATION_CODE, BATCH, lambda *rows: _write(file, parquet_of_index(*rows)))


def _view(what: str) -> Any:
    """The shipped table of this name, or the ViewDefinition in this file."""
    from service.exchange.views.shipped import find_table

    path = Path(what)
    return text.parse(path.read_bytes()) if path.is_file() else find_table(what)


def _lines(path: Path) -> Iterator[Json]:
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            try:
                if line.strip():
                    yield text.parse(line)
            except Malformed as error:
                raise Malformed(*(issue.at(f"{path.name}, line {number}") for issue in error.issues)) from error


def _write(file: Path | None, parts: Iterable[bytes]) -> None:
    with _target(file) as target:
        for part in parts:
            target.write(part)


@contextmanager
def _target(file: Path | None) -> Iterator[IO[bytes]]:
    """Where rows are written: a file that has its name only once it is whole, or what is printed."""
    if file is None:
        yield sys.stdout.buffer
        sys.stdout.flush()
        return
    begun = file.with_name(f".{file.name}.part")
    try:
        with begun.open("wb") as target:
            yield target
        begun.replace(file)
    finally:
        begun.unlink(missing_ok=True)


def views() -> None:
    """List the tables that are shipped."""
    from service.exchange.views.shipped import tables

    for table in tables().values():
        out.print(f"{table.name}: {table.description}", markup=False, soft_wrap=True)


def codebook(
    names: Annotated[list[str] | None, typer.Argument(metavar="TABLE", help="Shipped tables; else all.")] = None,
    file: Out = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="One row a column, as CSV.")] = False,
) -> None:
    """Explain every column of a table: meaning, unit, coding, what an empty cell says, formula and source."""
    from service.exchange.views import codebook as book
    from service.exchange.views.formats import FORMATS
    from service.exchange.views.shipped import find_table, tables

    with told():
        chosen = [find_table(name) for name in names] if names else list(tables().values())
        if as_csv:
            _write(file, FORMATS["csv"].write(book.COLUMNS, book.codebook_rows(chosen), True))
        elif file:
            _write(file, [text.dump(book.codebook(chosen)) + b"\n"])
        else:
            print_json(book.codebook(chosen))


def population(
    files: Annotated[list[str], typer.Argument(help="Parquet files of the table joint-motion.")],
    engine: Annotated[str, typer.Option(help="duckdb, on this machine; or spark.")] = "duckdb",
    master: Annotated[str, typer.Option(help="Where Spark runs.")] = "local[2]",
    mode: Annotated[str, typer.Option(help="active or passive motion.")] = "active",
    file: Out = None,
) -> None:
    """How total motion of whole digits went over time, across patients: the slope of each digit, and a summary."""
    from service.exchange import population as computing

    with told(), computing.engine(engine, master) as backend:
        found = computing.slopes(computing.total_motion(computing.joint_motion(backend, files), mode))
        if file:
            table = found.order_by(*computing.HAND).to_pyarrow()
            _write(file, computing.written(table, file.suffix.removeprefix(".")))
        print_json({**computing.summary(found).to_pyarrow().to_pylist()[0], "note": computing.NOTE})


COMMANDS = {"view": view, "views": views, "codebook": codebook, "population": population}
