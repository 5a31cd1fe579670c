"""Commands that make and restore backups, and rebuild the index."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service import settings
from service.commands.console import Database, opened, out, told, url_of
from service.domain.actor import LOCAL
from service.errors import Conflict, Issue
from service.storage.records import Records
from service.usecases import backups
from service.usecases.audit import attended
from service.usecases.settings_file import unpack_settings, write_settings


def backup(
    file: Annotated[Path, typer.Argument(help="File to write; none is overwritten.")],
    with_settings: Annotated[
        Path | None, typer.Option("--settings", help="Second file: settings and keys, to be kept apart.")
    ] = None,
    database: Database = "",
) -> None:
    """Write a consistent copy of the record in use, restore it into a scratch record, and compare."""
    with told():
        if with_settings and with_settings.exists():
            raise Conflict(Issue("conflict", "There is a file of this name; none is overwritten.", "--settings"))
        variables, files = settings.stated(settings.load())
        with opened(database) as records, attended(records, LOCAL):
            made = backups.make_backup(records, LOCAL, file, sorted({*variables, *files}))
        if with_settings:
            write_settings(with_settings, variables, files)
    rows = sum(number for number, _ in made.contents.tables.values())
    out.print(f"{file}: {rows} rows, {made.events} events, restored and compared; backup {made.contents.id}")
    if variables and not with_settings:
        out.print("The settings are not in it: --settings FILE writes them, and the keys, into a second file.")


def restore(
    file: Annotated[Path, typer.Argument(help="The backup.")],
    erasures: Annotated[Path | None, typer.Option(help="The ledger of erasures, kept apart from backups.")] = None,
    nothing_erased: Annotated[
        bool, typer.Option("--nothing-erased", help="State that nothing was erased since the backup was made.")
    ] = False,
    database: Database = "",
) -> None:
    """Restore a backup into an empty record. What was erased since is erased again."""
    with told():
        if (erasures is None) != nothing_erased:
            message = "A restore must not bring back what was erased."
            expected = "--erasures LEDGER, or --nothing-erased where nothing was erased since"
            raise Conflict(Issue("required", message, "--erasures", expected=expected))
        records = Records.create(url_of(database))
        try:
            done = backups.restore(records, LOCAL, file, erasures)
        finally:
            records.close()
    rows = sum(number for number, _ in done.contents.tables.values())
    out.print(f"Restored: {rows} rows as of {done.contents.at:%Y-%m-%d %H:%M} UTC")
    out.print(f"Erased again: {len(done.erased_again)}")
    if done.awaited:
        out.print(f"To be set before it is served: {', '.join(done.awaited)}", soft_wrap=True)


def unpack(
    file: Annotated[Path, typer.Argument(help="The second file of a backup.")],
    folder: Annotated[Path, typer.Option(help="Where to write the variables and the files they name.")],
) -> None:
    """Restore settings and keys: writes `handrecord.env` and the key files into a folder."""
    with told():
        names = unpack_settings(file, folder)
    out.print(f"{folder / 'handrecord.env'} sets {', '.join(names) or 'nothing'}", soft_wrap=True)


def reindex(database: Database = "") -> None:
    """Derive every row that searches use from the stored documents again."""
    with told(), opened(database) as records, attended(records, LOCAL):
        number = backups.reindex(records, LOCAL)
    out.print(f"{number} resources indexed")


COMMANDS = {"backup": backup, "restore": restore, "unpack": unpack, "reindex": reindex}
