"""Commands that make a record, bring it up to date, and serve it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service import settings
from service.commands.console import Database, out, told, url_of
from service.domain.actor import LOCAL
from service.printing import print_import, print_summary
from service.storage.records import Records
from service.usecases.audit import attended
from service.usecases.people import find_patient
from service.usecases.summaries import summary_of
from service.usecases.visit_input import Person


def demo(
    file: Annotated[Path, typer.Option(help="SQLite file to create.")] = Path("handrecord-demo.sqlite"),
) -> None:
    """Create a SQLite file, load the invented example clinic, and show what came of it."""
    from service.exchange.scenario import SHOWN, load

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


def migrate(database: Database = "") -> None:
    """Bring the database to the schema of this release."""
    from service.storage.records import migrate as bring

    with told():
        bring(url_of(database))
    out.print("The database has the schema of this release.")


COMMANDS = {"demo": demo, "serve": serve, "migrate": migrate}
