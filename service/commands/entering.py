"""Commands that take readings in."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich import progress as bars

from service import settings
from service.commands.console import Database, err, opened, out, told
from service.domain.actor import LOCAL
from service.printing import print_import, print_issues, print_reading
from service.usecases.imports import Progress


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
    with told(), opened(database) as records:
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


@contextmanager
def _bar(name: str) -> Iterator[Progress]:
    columns = (bars.TextColumn("{task.description}"), bars.BarColumn(), bars.TaskProgressColumn())
    with bars.Progress(*columns, console=err, transient=True) as shown:
        task = shown.add_task(name, total=None)

        def show(done: int, total: int | None) -> None:
            shown.update(task, completed=done, total=total)

        yield show


def columns(
    kind: Annotated[str, typer.Argument(help="A kind of measurement; else what every file may have.")] = "",
) -> None:
    """The columns of a spreadsheet of readings, as a Markdown table."""
    from service.exchange.columns import table

    with told():
        sys.stdout.write(table(kind) + "\n")


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


COMMANDS = {"import": import_, "columns": columns, "shorthand": shorthand}
