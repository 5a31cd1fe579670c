"""A process that writes an export and stands still in the middle of a file. Run by test_exports.

Arguments: the address of the database, the folder, how many pieces are read before it stands still. It says
`unfinished` then; what it read is written, but neither whole nor renamed.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from service.storage.export_jobs import ExportJobs
from service.storage.records import Records
from service.storage.snapshot import Found, Window
from service.usecases import export_work

URL, FOLDER, PIECES = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
read = ExportJobs.versions
left = [PIECES]


def until_then(self: ExportJobs, window: Window, behind: int, count: int) -> Found:
    if not left[0]:
        print("unfinished", flush=True)
        time.sleep(600)
    left[0] -= 1
    return read(self, window, behind, count)


if __name__ == "__main__":
    export_work.PIECE, export_work.LINES = 2, 3
    ExportJobs.versions = until_then  # type: ignore[method-assign]
    export_work.Worker(Records.open(URL), FOLDER).work()
