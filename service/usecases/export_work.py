"""Writing exports, in a process of its own: what was asked for becomes files of lines, whole or not there at all.

The work is cut into units (a type, and not too many patients), a unit into files, a file into pieces that are read one
after the other. A file is written beside its name, brought to disk and renamed in the transaction that writes it down;
so whoever goes on after a crash begins behind the last file that is written down, and each line stands in one file.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from uuid import uuid4

from service.errors import RecordError
from service.fhir import text
from service.fhir.compartment import OF_NOBODY
from service.fhir.search_dates import moment
from service.fhir.text import Json
from service.storage import export_jobs
from service.storage.export_jobs import ExportJobs, File
from service.storage.fitting import fitting
from service.storage.records import Records
from service.storage.snapshot import Version, Window
from service.usecases.export_input import PATIENT, Job, Wish
from service.usecases.exports import document_of, limits_of

PIECE = 2000
"""Resources that are read at a time."""
LINES = 20_000
"""Lines of a file; a few more, since a piece is not cut."""
TOGETHER = 500
"""Patients whose resources go into one unit."""
SILENT = 30.0
"""Seconds after which a worker that says nothing is taken for dead."""
_TRIES = 5
_OFTEN = 5.0


class _NotOurs(Exception):
    """The export was given up, overtaken by an erasure, or taken over by another worker."""


@dataclass(slots=True)
class Worker:
    """What writes exports of one record into a folder. `silent` is how long another worker is believed to be alive."""

    records: Records
    folder: Path
    silent: float = SILENT
    name: str = ""
    _beat: float = 0.0

    def __post_init__(self) -> None:
        self.name = self.name or str(uuid4())

    def work(self) -> bool:
        """Write the oldest export that waits; False if there is none."""
        with self.records.aside() as connection:
            job = ExportJobs(connection).claim(self.name, self.silent)
        if job is None:
            return False
        try:
            self._write(job)
        except _NotOurs:
            self._clear(job.id)
        except KeyboardInterrupt:
            with self.records.aside() as connection:
                ExportJobs(connection).release(job)
            raise
        except (RecordError, OSError) as error:
            told = str(error) if isinstance(error, RecordError) else f"A file could not be written: {error.strerror}."
            self._finish(job.id, export_jobs.FAILED, told)
        return True

    def _write(self, job: export_jobs.Job) -> None:
        if job.tries > _TRIES:
            self._finish(job.id, export_jobs.FAILED, f"It was begun {_TRIES} times and did not get further.")
            return
        (self.folder / job.id).mkdir(mode=0o700, parents=True, exist_ok=True)
        with self.records.read() as reader:
            written = reader.bulk.files(job.id)
        asked, last = document_of(job), written[-1] if written else None
        for place, unit in enumerate(units(asked.wish, job)):
            if last is None or place > last.place:
                self._unit(asked, unit, File(job.id, place, 0, "", unit.kind, unit.deleted, 0, 0, False))
            elif place == last.place and not last.last:
                self._unit(asked, unit, _following(last))
        self._finish(job.id, export_jobs.COMPLETE)

    def _unit(self, asked: Job, unit: Window, file: File) -> None:
        """Write the files of a unit, from the one that is begun on."""
        lines = Lines(asked, unit.kind)
        while not file.last:
            stem = "deleted-" * unit.deleted + unit.kind
            named = file._replace(name=f"{stem}.{file.place}.{file.part}.ndjson")
            file = _following(self._file(named, unit, lines))

    def _file(self, file: File, unit: Window, lines: Lines) -> File:
        """Write one file, and write it down."""
        path = self.folder / file.job / file.name
        beside = path.with_name(f"{file.name}.{self.name}.part")
        with beside.open("wb") as output:
            while file.lines < LINES and not file.last:
                self._hold(file.job)
                with self.records.read() as reader:
                    found = reader.bulk.versions(unit, file.upto, PIECE)
                    gone = reader.bulk.before(found.versions) if unit.deleted else {}
                count, made = lines.deleted(found.versions, gone) if unit.deleted else lines.of(found.versions)
                output.write(made)
                file = file._replace(lines=file.lines + count, upto=found.upto, last=found.last)
            output.flush()
            os.fsync(output.fileno())
        with self.records.aside() as connection:
            if not ExportJobs(connection).keep(file, self.name):
                raise _NotOurs
            if file.lines:
                beside.replace(path)
                _to_disk(path.parent)
        beside.unlink(missing_ok=True)
        return file

    def _hold(self, ident: str) -> None:
        """Say now and then that the work goes on. Raises `_NotOurs` if it should not."""
        if time.monotonic() < self._beat + min(_OFTEN, self.silent / 3):
            return
        with self.records.aside() as connection:
            if not ExportJobs(connection).hold(ident, self.name):
                raise _NotOurs
        self._beat = time.monotonic()

    def _finish(self, ident: str, state: str, told: str = "") -> None:
        with self.records.aside() as connection:
            mine = ExportJobs(connection).finish(ident, self.name, state, told)
        if not mine or state == export_jobs.FAILED:
            self._clear(ident)

    def _clear(self, ident: str) -> None:
        """Remove what this worker wrote of an export that is not to be had, or that another one is at."""
        for beside in (self.folder / ident).glob(f"*.{self.name}.part"):
            beside.unlink(missing_ok=True)
        with self.records.read() as reader:
            wanted = reader.bulk.is_wanted(ident)
        if not wanted:
            shutil.rmtree(self.folder / ident, ignore_errors=True)


def tidy(records: Records, folder: Path, hours: float) -> None:
    """Remove the files of exports that nobody may have any more, and forget them: whose end is so many hours ago,
    that were given up, or that an erasure overtook."""
    with records.read() as reader:
        over = reader.bulk.over(time.time_ns() // 1000 - int(hours * 3_600_000_000))
    for ident in over:
        if (folder / ident).exists():
            shutil.rmtree(folder / ident)
        with records.aside() as connection:
            ExportJobs(connection).remove(ident)


def units(wish: Wish, job: export_jobs.Job) -> Iterator[Window]:
    """The units of an export, in an order that is always the same."""
    for deleted in (False, True)[: 1 if wish.since is None else 2]:
        for kind in wish.kinds:
            whole = Window(kind, job.txn, job.at, wish.since, None, wish.level == PATIENT, deleted)
            if wish.patients is None or kind in OF_NOBODY:
                yield replace(whole, owned=whole.owned and kind not in OF_NOBODY)
                continue
            for start in range(0, len(wish.patients), TOGETHER):
                yield replace(whole, patients=wish.patients[start : start + TOGETHER])


class Lines:
    """From versions of a type to the lines of an export: what was asked for, within what the person may see."""

    def __init__(self, asked: Job, kind: str) -> None:
        self._kind, self._queries, self._view = kind, asked.wish.queries(kind), asked.wish.view(kind)
        self._limits = [limits for limits in limits_of(asked.actor, kind) if limits.rows is not None]
        self._plain = self._view.is_whole and not self._queries and not self._limits

    def of(self, found: list[Version]) -> tuple[int, bytes]:
        """How many lines there are of what stood then, and all of them, as stored where all of it is wanted."""
        if self._plain:  # made in one go: line by line takes as long as reading them
            return len(found), _lines([each.body for each in found]).encode()
        documents = self._meant([(each, text.parse(each.body)) for each in found])
        if self._view.is_whole:
            return len(documents), _lines([each.body for each, _ in documents]).encode()
        parts = [text.dump(self._view.of_resource(document)).decode() for _, document in documents]
        return len(parts), _lines(parts).encode()

    def deleted(self, found: list[Version], gone: dict[int, str]) -> tuple[int, bytes]:
        """As `of`, a Bundle for each deletion of what would have been given; `gone` is what was deleted, by number."""
        stood = ((each, gone.get(each.pk)) for each in found)
        before = [(Version(*each)._replace(body=body), text.parse(body)) for each, body in stood if body]
        bundles = [text.dump(self._deletion(each)).decode() for each, _ in self._meant(before)]
        return len(bundles), _lines(bundles).encode()

    def _deletion(self, version: Version) -> Json:
        request = {"method": "DELETE", "url": f"{self._kind}/{version.id}"}
        meta = {"lastUpdated": moment(version.updated).isoformat().replace("+00:00", "Z")}
        return {"resourceType": "Bundle", "meta": meta, "type": "transaction", "entry": [{"request": request}]}

    def _meant(self, documents: list[tuple[Version, Json]]) -> list[tuple[Version, Json]]:
        seen = [pair for pair in documents if all(limits.cover(pair[1]) for limits in self._limits)]
        if not self._queries or not seen:
            return seen
        fit = fitting(self._kind, seen, self._queries)
        return [pair for pair in seen if pair[0].pk in fit]


def _lines(parts: list[str]) -> str:
    return "\n".join([*parts, ""])


def _following(file: File) -> File:
    """The file to be begun when this one is whole."""
    return file._replace(part=file.part + 1, name="", lines=0)


def _to_disk(folder: Path) -> None:
    """See to it that the names in a folder outlast a loss of power."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
