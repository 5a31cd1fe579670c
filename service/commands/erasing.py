"""Commands about what must go and what must stay."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Annotated

import typer

from service import settings
from service.commands.console import Database, opened, out, print_json, told
from service.domain.actor import LOCAL
from service.domain.result_json import plain
from service.errors import Misconfigured
from service.storage.keeping import Backup, Erasure
from service.storage.records import Records
from service.usecases import erasure, legal_holds
from service.usecases.audit import attended
from service.usecases.export_work import tidy

By = Annotated[str, typer.Option("--by", help="Your name: nobody signs in here.")]
Ident = Annotated[str, typer.Argument(metavar="ID", help="The id that `ask` or `list` shows.")]
Reason = Annotated[str, typer.Option("--reason", help="Why; it names no patient.")]


def ask(
    target: Annotated[str, typer.Argument(help="Patient/ID for a whole record, or TYPE/ID of one resource.")],
    reason: Reason,
    by: By,
    database: Database = "",
) -> None:
    """Ask for an erasure; nothing is erased yet. Prints what would go."""
    with _two_people(database) as records, records.write(LOCAL) as writer:
        _print(erasure.ask(writer, LOCAL, target, reason, by=by))


def show(ident: Ident, database: Database = "") -> None:
    """One erasure: what it would take, or took, and what else holds any of it."""
    with told(), opened(database) as records, attended(records, LOCAL), records.read() as reader:
        _print(erasure.look(reader, LOCAL, ident))


def listed(database: Database = "") -> None:
    """Every erasure that was asked for."""
    with told(), opened(database) as records, attended(records, LOCAL), records.read() as reader:
        for one in erasure.listed(reader, LOCAL):
            out.print(_line(one), markup=False, soft_wrap=True)


def approve(
    ident: Ident,
    seen: Annotated[str, typer.Option(help="What `erasure show` printed as seen.")],
    by: By,
    database: Database = "",
) -> None:
    """Erase what somebody else asked for. It cannot be taken back."""
    with _two_people(database) as records:
        found = settings.load()
        shown = erasure.approve_whole(records, LOCAL, ident, seen, by=by, ledger=found.erasure_ledger)
        tidy(records, found.export_folder, found.export_hours)
        _print(shown)


def withdraw(ident: Ident, by: By, database: Database = "") -> None:
    """Take a request back, or refuse it."""
    with _two_people(database) as records, records.write(LOCAL) as writer:
        out.print(_line(erasure.withdraw(writer, LOCAL, ident, by=by)), markup=False, soft_wrap=True)


def finish(database: Database = "") -> None:
    """Do what an interrupted erasure left to do: the ledger, and the traces in the database's files."""
    with told(), opened(database) as records, attended(records, LOCAL):
        found = settings.load()
        tidy(records, found.export_folder, found.export_hours)
        done = erasure.finish(records, LOCAL, found.erasure_ledger)
    out.print(f"{len(done)} erasures finished")


def hold(
    patient: Annotated[str, typer.Argument(help="Patient/ID")],
    reason: Reason,
    database: Database = "",
) -> None:
    """Put a legal hold on a patient's record: nothing of it is erased or deleted."""
    with told(), opened(database) as records, attended(records, LOCAL), records.write(LOCAL) as writer:
        print_json(plain(legal_holds.place_hold(writer, LOCAL, patient, reason)))


def lift(ident: Ident, database: Database = "") -> None:
    """Lift a legal hold."""
    with told(), opened(database) as records, attended(records, LOCAL), records.write(LOCAL) as writer:
        print_json(plain(legal_holds.lift_hold(writer, LOCAL, ident)))


def holds(database: Database = "") -> None:
    """Every legal hold, those that were lifted too."""
    with told(), opened(database) as records, attended(records, LOCAL), records.read() as reader:
        print_json({"legal_holds": plain(legal_holds.holds(reader, LOCAL))})


def retention(database: Database = "") -> None:
    """What is past its retention period. Nothing is erased by itself."""
    from service.usecases.retention import past_retention

    with told(), opened(database) as records, attended(records, LOCAL), records.read() as reader:
        now = datetime.now(settings.load().zone_info or UTC)
        found = past_retention(reader, LOCAL, settings.load().retention_years, now.date())
    for one in found:
        kinds = ", ".join(f"{number} {kind}" for kind, number in sorted(one.past.items()))
        marks = f"{', whole record' if one.whole else ''}{', under a legal hold' if one.held else ''}"
        out.print(f"Patient/{one.patient}: past since {one.since}, last seen {one.last_seen}: {kinds}{marks}")
    if not found:
        out.print("Nothing is past a retention period that is set.")


@contextmanager
def _two_people(database: str) -> Iterator[Records]:
    """The record, for what two people do, while nobody signs in."""
    with told():
        if settings.load().has_provider:
            raise Misconfigured("With an identity provider, two people who sign in ask and approve by the service.")
        with opened(database) as records, attended(records, LOCAL):
            yield records


def _print(found: erasure.Shown) -> None:
    out.print(_line(found.erasure), markup=False, soft_wrap=True)
    if found.scope:
        for kind, number in found.scope.counts.items():
            out.print(f"  goes: {number} {kind}")
        _lines("stays, without its reference", found.scope.linked)
        _lines("stays, and holds an identifier or address of the person; look at it", found.scope.repeats)
        out.print(f"  seen: {found.scope.seen}", soft_wrap=True)
    _lines("a backup holds it", [_of_backup(one) for one in found.backups])
    _lines("left the record with it", [f"{one.kind} {one.id}" for one in found.left])
    if not found.proven:
        out.print("  Nobody signs in here: the names of the two persons were stated, not proven.")


def _lines(what: str, found: list[str] | tuple[str, ...]) -> None:
    for one in found:
        out.print(f"  {what}: {one}", markup=False, soft_wrap=True)


def _of_backup(one: Backup) -> str:
    return f"{one.name}, made {one.at:%Y-%m-%d %H:%M} UTC ({one.id})"


def _line(one: Erasure) -> str:
    decided = f", decided by {one.decided.name}" if one.decided else ""
    unfinished = one.state == "erased" and not one.cleaned
    traces = ", traces still in the files: run `handrecord erasure finish`" if unfinished else ""
    return f"{one.id}: {'/'.join(one.target)} {one.state}, asked by {one.asked.name}{decided}: {one.reason}{traces}"


COMMANDS = {
    "erasure ask": ask,
    "erasure show": show,
    "erasure list": listed,
    "erasure approve": approve,
    "erasure withdraw": withdraw,
    "erasure finish": finish,
    "hold place": hold,
    "hold lift": lift,
    "hold list": holds,
    "retention": retention,
}
