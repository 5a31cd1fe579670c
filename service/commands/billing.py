"""Commands about billing: what there is to confirm, and handing confirmed charges over."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from service import settings
from service.commands.console import AsJson, Database, opened, out, print_json, told
from service.domain.actor import LOCAL
from service.errors import Invalid, Issue
from service.printing import print_worklist
from service.usecases.audit import attended


def worklist(
    state: Annotated[
        str, typer.Option(help="Only those ready, lacking, confirmed, returned, needs-review or void.")
    ] = "",
    since: Annotated[str, typer.Option(help="Only those decided on since this day, as 2026-03-02.")] = "",
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """Orthosis episodes for billing: the state of each, and what it lacks."""
    from service.usecases.billing import worklist as episodes
    from service.usecases.billing_clinic import billing_of
    from service.usecases.billing_views import brief

    with told(), opened(database) as records, attended(records, LOCAL), records.read() as reader:
        clinic = billing_of(settings.load().billing_rules, settings.load().billing_codes)
        found = [brief(case) for case in episodes(reader, LOCAL, clinic, state=state, since=_day(since))]
        print_json({"episodes": found}) if as_json else print_worklist(out, found)


def _day(written: str) -> date | None:
    try:
        return date.fromisoformat(written) if written else None
    except ValueError:
        raise Invalid(Issue("value", "That is no day.", "--since", written, "day", "as 2026-03-02")) from None


def export(
    folder: Annotated[Path, typer.Argument(help="Folder for the two files, which is made if it is not there.")],
    again: Annotated[str, typer.Option(help="Id of an earlier export, to be given again.")] = "",
    database: Database = "",
) -> None:
    """Hand confirmed charges over as CSV and as a FHIR Bundle; each line leaves once."""
    from service.usecases.billing_clinic import billing_of
    from service.usecases.billing_export import export as hand_over
    from service.usecases.billing_export import find_export

    with told(), opened(database) as records, attended(records, LOCAL):
        clinic = billing_of(settings.load().billing_rules, settings.load().billing_codes)
        folder.mkdir(parents=True, exist_ok=True)
        if again:
            with records.read() as reader:
                found = find_export(reader, LOCAL, again)
        else:
            with records.write(LOCAL) as writer:
                found = hand_over(writer, LOCAL, clinic)
        for ending, content in (("csv", found.csv), ("json", found.bundle)):
            (folder / f"charges-{found.id}.{ending}").write_bytes(content)
        out.print(f"Export {found.id}: {found.charges} charges, {found.reversals} reversals, in {folder}", markup=False)


COMMANDS = {"billing worklist": worklist, "billing export": export}
