"""A process that begins a piece of work and stands still just before it would be finished. Run by test_killed.

Arguments: the address of the database, what to do, a folder. It says `unfinished` when everything has been sent to the
database, and nothing committed; or, for the traces of an erasure, when the erasure is committed and they are
still there.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

from service.domain.actor import LOCAL
from service.exchange.files import import_file
from service.storage.migrations import run
from service.storage.records import Records, migrate
from service.storage.writer import Writer
from service.usecases import backups, erasure, imports
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit

URL, WORK, FOLDER = sys.argv[1], sys.argv[2], Path(sys.argv[3])
VISIT = {
    "patient": {"id": "o"}, "when": "2026-03-02T09:30:00+01:00", "by": {"name": "Invented"},
    "readings": [
        {"kind": "grip-strength", "side": "right", "site": "hand", "trials": ["21.5", "22.0", "23.5"], "unit": "kgf"}
    ],
}  # fmt: skip


def stand_still() -> None:
    print("unfinished", flush=True)
    time.sleep(600)


def after(function: Any, calls: int) -> Any:
    """`function`, standing still once it was called so many times."""
    left = [calls]

    def called(*args: Any, **more: Any) -> Any:
        result = function(*args, **more)
        left[0] -= 1
        if not left[0]:
            stand_still()
        return result

    return called


def visit(records: Records) -> None:
    with records.write(LOCAL) as writer:
        record_visit(writer, LOCAL, visit_of(VISIT, None))


def imported(records: Records) -> None:
    imports.STEPS_AT_ONCE = 5  # so that there is a third transaction to stand still in
    import_file(records, LOCAL, FOLDER / "readings.csv", header=FOLDER / "readings.header.json")


def erase(records: Records) -> None:
    with records.read() as reader:
        (asked,) = reader.keeping.erasures("asked")
        shown = erasure.look(reader, LOCAL, asked.id)
    assert shown.scope
    erasure.approve_whole(records, LOCAL, asked.id, shown.scope.seen, by="Bert", ledger=FOLDER / "erasures.json")


def restore(records: Records) -> None:
    backups.restore(records, LOCAL, FOLDER / "clinic.backup", FOLDER / "erasures.json")


def reindex(records: Records) -> None:
    with records.aside(alone=True) as connection:
        from service.storage.reindex import rebuild

        rebuild(connection)
        stand_still()


def backup(records: Records) -> None:
    backups.make_backup(records, LOCAL, FOLDER / "second.backup")


WORKS = {"visit": visit, "import": imported, "erase": erase, "traces": erase, "restore": restore, "reindex": reindex,
         "backup": backup}  # fmt: skip

if __name__ == "__main__":
    if WORK == "migrate":
        run.upgrade = after(run.upgrade, 1)
        migrate(URL)
    opened = Records.open(URL)
    if WORK == "traces":
        Records.scrub = lambda self: stand_still()  # type: ignore[method-assign]
    elif WORK == "backup":
        backups.verify_backup = lambda file, actor: stand_still()  # type: ignore[assignment, return-value]
    else:
        Writer.seal = after(Writer.seal, 3 if WORK == "import" else 1)  # type: ignore[method-assign]
    WORKS[WORK](opened)
