"""The process that writes Bulk Data exports; `handrecord serve` starts one."""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from service import settings
from service.commands.console import Database, opened, out, told

_BEHIND = 10
"""How far it stands back behind the process that answers people."""
_PAUSE = 0.5
"""Seconds between two looks at what waits."""


def export_worker(
    once: Annotated[bool, typer.Option("--once", help="Write what waits, then end.")] = False,
    folder: Annotated[Path | None, typer.Option(help="Else HANDRECORD_EXPORT_FOLDER.", show_default=False)] = None,
    parent: Annotated[int, typer.Option(help="End when this process, which started it, has ended.", hidden=True)] = 0,
    database: Database = "",
) -> None:
    """Write Bulk Data exports into files, until interrupted."""
    from service.usecases.export_work import Worker, tidy

    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if parent and hasattr(os, "nice"):
        os.nice(_BEHIND)
    found = settings.load()
    place = folder or found.export_folder
    with told(), opened(database) as records, suppress(KeyboardInterrupt):
        worker, done = Worker(records, place), 0
        while not parent or os.getppid() == parent:
            tidy(records, place, found.export_hours)
            if worker.work():
                done += 1
            elif once:
                break
            else:
                time.sleep(_PAUSE)
        if once:
            out.print(f"Exports written: {done}.")


COMMANDS = {"export-worker": export_worker}
