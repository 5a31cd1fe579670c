"""Bulk Data exports (https://hl7.org/fhir/uv/bulkdata/, 3.0.0): asking for one, how far it is, its files, giving it up.

What is exported names people. So it is for programs, for the one person at a computer without a provider, and, of the
little that their role may read, for administrators; researchers have releases. What is seen is fixed when the export is
asked for: that is a transaction of its own, and every change is numbered before or behind it, and dated so too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlencode, urlsplit
from uuid import uuid4

import msgspec

from service.domain.actor import Actor
from service.errors import Forbidden, Gone, Issue, Malformed, NotFound
from service.fhir.search_dates import micros, moment
from service.storage import export_jobs
from service.storage.export_jobs import File
from service.storage.records import Reader, Writer
from service.usecases.doors import enter_export
from service.usecases.export_input import GROUP, SYSTEM, Job, Wish, kinds_at
from service.usecases.permissions import Limits, require, require_exporter, require_right

ACT = "export"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far an export is. `files` are those that are whole and hold something; `told` says why it failed."""

    id: str
    state: str
    job: Job
    files: tuple[File, ...]
    told: str
    until: datetime | None

    @property
    def done(self) -> bool:
        """Whether there is nothing left to wait for."""
        return self.state == export_jobs.COMPLETE


def start(writer: Writer, actor: Actor, wish: Wish, group: str, request: str) -> str:
    """Ask for an export of what there is now; answers its id. `group` is the id of a Group, `request` the address.

    Raises `Forbidden` for who may export nothing, or not a type that is named; `NotFound` for a Group or patient.
    """
    with enter_export(actor, "Group" if group else "", group) as passage:
        kinds = tuple(_kinds(actor, wish))
        patients = _patients(writer, actor, wish, group)
        whole = replace(wish, kinds=kinds, patients=patients)
        query = urlsplit(request).query
        at = writer.note(ACT, ("Group" if group else "", group), query or wish.level or "everything", patients or ())
        number, seen = writer.bulk.last_transaction(), micros(at)
        if wish.until is not None and wish.until < seen:
            number, seen = writer.bulk.last_transaction(wish.until), wish.until
        ident = str(uuid4())
        document = msgspec.json.encode(Job(whole, actor, request, seen)).decode()
        writer.bulk.add(export_jobs.Job(ident, export_jobs.ACCEPTED, number, micros(at), document))
        passage.written = True
        return ident


def progress(reader: Reader, actor: Actor, ident: str, hours: float) -> Progress:
    """How far an export is, which is kept for so many hours after its end. Raises `NotFound`; `Gone` after an erasure.

    It is nobody's but theirs who asked for it.
    """
    require_exporter(actor)
    return _own(reader, actor, ident, hours)


def give_up(writer: Writer, actor: Actor, ident: str, hours: float) -> None:
    """End an export, or forget one that has ended; its files are removed by `export_work.tidy`. Raises `NotFound`."""
    with enter_export(actor, query=urlencode({"export": ident, "deleted": "true"})) as passage:
        _own(writer, actor, ident, hours)
        writer.note(ACT, ("", ""), passage.query)
        writer.bulk.give_up(ident)
        passage.written = True


def file_of(reader: Reader, actor: Actor, ident: str, name: str, folder: Path, hours: float) -> Path:
    """Where a file of an export stands, for who asked for it and may still see all that is in it.

    Raises `NotFound`, `Forbidden`; `Gone` after an erasure.
    """
    with enter_export(actor, query=urlencode({"export": ident, "file": name})):
        found = _own(reader, actor, ident, hours)
        kinds = [each.type for each in found.files if each.name == name and found.done]
        path = folder / ident / name
        if not kinds or not path.is_file():
            raise NotFound(Issue("not-found", "The export has no such file.", "file", name))
        for kind in kinds:
            _require_still(actor, found.job.actor, kind)
        return path


def limits_of(actor: Actor, kind: str) -> tuple[Limits, ...]:
    """The limits within which a person may be shown resources of a type in bulk. Raises `Forbidden`."""
    return tuple(require_right(actor, right, kind, ACT) for right in "rs")


def document_of(job: export_jobs.Job) -> Job:
    """Who asked for what."""
    return msgspec.json.decode(job.document, type=Job)


def _own(reader: Reader, actor: Actor, ident: str, hours: float) -> Progress:
    job = reader.bulk.job(ident)
    if job.state == export_jobs.VOID:
        message = "Something was erased from the record since this export was asked for; ask for a new one."
        raise Gone(Issue("deleted", message, "export", ident))
    if job.state == export_jobs.GIVEN_UP:
        raise _missing(ident)
    asked = document_of(job)
    if (asked.actor.id, asked.actor.client) != (actor.id, actor.client):
        raise _missing(ident)
    until = moment(job.finished_at) + timedelta(hours=hours) if job.finished_at else None
    if until and until < datetime.now(UTC):
        raise _missing(ident)
    files = reader.bulk.files(ident)
    kept = tuple(each for each in files if each.lines)
    return Progress(ident, job.state, asked, kept, job.told, until)


def _missing(ident: str) -> NotFound:
    return NotFound(Issue("not-found", "There is no such export, or no longer.", "export", ident))


def _require_still(actor: Actor, then: Actor, kind: str) -> None:
    """Raise `Forbidden` for a token that was granted less than the one the export was asked for with."""
    for now, before in zip(limits_of(actor, kind), limits_of(then, kind), strict=True):
        if now.rows is not None and now.rows != before.rows:
            raise Forbidden(Issue("forbidden", "The token was not granted all that is in this file.", "file"))


def _kinds(actor: Actor, wish: Wish) -> Iterator[str]:
    """The types that are exported: those named, or all that the person may see."""
    found = False
    for kind in wish.kinds or kinds_at(wish.level):
        try:
            limits_of(actor, kind)
        except Forbidden:
            if wish.kinds:
                raise
            continue
        found = True
        yield kind
    if not found:
        raise Forbidden(Issue("forbidden", "There is nothing that you may export.", rule="permission-matrix"))


def _patients(reader: Reader, actor: Actor, wish: Wish, group: str) -> tuple[str, ...] | None:
    """The patients meant; None for nobody in particular. Raises `Malformed` for one who is not there."""
    if wish.level == SYSTEM:
        return None
    if wish.level == GROUP:
        members = _members(reader, actor, group)
        _require_known(wish.patients, members, "This patient is not in the group.")
        return wish.patients or members
    if wish.patients:
        there = reader.existing([("Patient", ident) for ident in wish.patients])
        _require_known(wish.patients, [ident for _, ident in there], "There is no such patient.")
    return wish.patients


def _require_known(asked: tuple[str, ...] | None, known: Iterable[str], message: str) -> None:
    for ident in sorted({*(asked or ())} - {*known}):
        raise Malformed(Issue("not-found", message, "http.patient", ident, "bulk-data"))


def _members(reader: Reader, actor: Actor, ident: str) -> tuple[str, ...]:
    limits = require(actor, "read", "Group")
    group = reader.get("Group", ident).resource
    limits.require(group, f"Group/{ident}")
    active = [each for each in group.get("member") or () if each.get("inactive") is not True]
    places = [str((each.get("entity") or {}).get("reference", "")) for each in active]
    return tuple(dict.fromkeys(place.removeprefix("Patient/") for place in places if place.startswith("Patient/")))
