"""Making, checking and restoring backups, and rebuilding the index."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from service.domain.actor import Actor
from service.errors import Issue, Malformed, Misconfigured
from service.storage.audit_check import Verdict
from service.storage.backup import Contents, check_backup, opened
from service.storage.keeping import Backup, Erasure, Person
from service.storage.records import Records, Writer, migrate
from service.storage.tables import REVISION
from service.usecases.doors import enter_duty
from service.usecases.erasure import carry_out, finish
from service.usecases.erasure_ledger import Entry, read_ledger

DUTY = "backup"


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that was made and verified: restored into a scratch record, compared row by row, its trail checked."""

    contents: Contents
    events: int


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore brought back, which erasures it carried out again, and what is left to set."""

    contents: Contents
    erased_again: tuple[str, ...]
    awaited: tuple[str, ...]


def make_backup(records: Records, actor: Actor, file: Path, settings: Sequence[str] = ()) -> Made:
    """Write a backup of the record in use and verify it. `settings` are the names of the variables that are set.

    Raises `Conflict` if there is a file of that name, `Malformed` if what was written cannot be restored.
    """
    with enter_duty(actor, DUTY):
        contents = records.backup(file, settings)
        verdict = verify_backup(file, actor)
        with records.write(actor) as writer:
            writer.note(DUTY, ("", ""), f"made={contents.id}")
            writer.keeping.made(Backup(contents.id, file.name, contents.at))
        return Made(contents, verdict.events)


def verify_backup(file: Path, actor: Actor) -> Verdict:
    """Restore a backup into a scratch record and compare. Raises `Malformed` if it is not whole."""
    contents = check_backup(file)
    with _scratch(file) as folder, closing(Records.create(f"sqlite:///{folder / 'scratch.sqlite'}")) as scratch:
        with opened(_present(file, folder)) as (_, source), scratch.write(actor) as writer:
            writer.fill(source)
        if contents.revision == REVISION and scratch.digests() != contents.tables:
            raise _unusable("what was restored is not what it holds")
        with scratch.read() as reader:
            verdict = reader.verify_events()
    if verdict.faults:
        raise _unusable(f"its trail of who did what is not whole: {verdict.faults[0].message}")
    return verdict


def restore(records: Records, actor: Actor, file: Path, ledger: Path | None) -> Restored:
    """Restore a backup into an empty record, in one transaction: all of it, with every erasure of the ledger carried
    out again, or nothing.

    `ledger` is the ledger of erasures, kept apart from backups; None where nothing was ever erased since. Raises
    `Conflict` for a record that was written to, `Misconfigured` for a backup of a newer schema, `Malformed`.
    """
    with enter_duty(actor, DUTY):
        entries = read_ledger(ledger) if ledger else []
        contents = check_backup(file)
        with _scratch(file) as folder, opened(_present(file, folder)) as (_, source), records.write(actor) as writer:
            writer.fill(source)
            writer.note(DUTY, ("", ""), f"restored={contents.id}")
            writer.keeping.await_settings(contents.id, contents.settings)
            if all(one.id != contents.id for one in writer.keeping.backups()):
                writer.keeping.made(Backup(contents.id, file.name, contents.at))
            again = [entry.id for entry in entries if _erase_again(writer, actor, entry)]
        finish(records, actor, ledger)
        return Restored(contents, tuple(again), contents.settings)


def reindex(records: Records, actor: Actor) -> int:
    """Derive every index row from the documents again; answers how many resources there are."""
    with enter_duty(actor, DUTY):
        return records.reindex()


def require_settings(records: Records, present: Sequence[str]) -> None:
    """Raise `Misconfigured` for a restored record whose settings were not restored with it."""
    with records.read() as reader:
        backup, awaited = reader.keeping.awaited_settings()
    missing = sorted(set(awaited) - set(present))
    if missing:
        message = (
            f"This record was restored from the backup {backup}. These variables were set where it was made and are "
            "not set here: set each of them (`handrecord unpack` restores them from the second file of the backup)."
        )
        raise Misconfigured(Issue("exception", message, ", ".join(missing)))


@contextmanager
def _scratch(file: Path) -> Iterator[Path]:
    """A folder beside a backup, where there is room for another one, gone afterwards."""
    with TemporaryDirectory(dir=file.resolve().parent, prefix=f".{file.name}-scratch-") as folder:
        yield Path(folder)


def _present(file: Path, folder: Path) -> Path:
    """The backup in this release's schema: itself, or a copy that was migrated. Raises `Misconfigured` for a newer."""
    with opened(file) as (told, _):
        revision = told.revision
    if revision > REVISION:
        message = f"The backup has schema {revision}, newer than {REVISION} of this release: restore it by a later one."
        raise Misconfigured(Issue("exception", message, "FILE", str(file)))
    if revision == REVISION:
        return file
    copy = folder / "older.sqlite"
    shutil.copyfile(file, copy)
    migrate(f"sqlite:///{copy}")
    return copy


def _erase_again(writer: Writer, actor: Actor, entry: Entry) -> bool:
    """Do what a ledger says was done, if the backup does not know of it; answers whether anything had to go."""
    if any(one.id == entry.id for one in writer.keeping.erasures("erased")):
        return False
    person = Person(actor.id, actor.name)
    at = datetime.fromisoformat(entry.at) if entry.at else datetime.now(UTC)
    done = Erasure(entry.id, entry.target, "erased", entry.reason, person, at, person, at)
    here = [key for key in (entry.target, *entry.taken) if writer.find(*key) is not None]
    if here:
        done = carry_out(writer, done, person, writer.erasure_plan(*here[0], *here[1:]))
    writer.keeping.keep(done)
    writer.keeping.bury(entry.id, entry.taken)
    return bool(here)


def _unusable(why: str) -> Malformed:
    return Malformed(Issue("structure", f"The backup cannot be used: {why}.", "FILE"))
