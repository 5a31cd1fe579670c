"""What changed over time: of one resource, of all of a type, of the whole record."""

from __future__ import annotations

from service.domain.actor import Actor
from service.errors import Forbidden, Issue, NotFound, NotSupported
from service.fhir.definitions import SERVED_TYPES
from service.storage.changes import Changes, Mark, Span
from service.storage.records import Reader
from service.usecases import audit
from service.usecases.doors import enter
from service.usecases.permissions import require
from service.usecases.resources import EVENT, READ_ONLY


def of_instance(
    reader: Reader, actor: Actor, kind: str, ident: str, span: Span, count: int, behind: Mark | None = None
) -> Changes:
    """Versions of one resource, newest first. Raises `NotFound` if there never was such a resource, `Forbidden`."""
    with enter(actor, "history", kind, ident) as door:
        if kind == EVENT:
            found = Changes((audit.read(reader, ident),))
        elif reader.find(kind, ident) is None:
            raise NotFound(f"There is no {kind}/{ident}.")
        else:
            found = reader.changes([kind], span, count, behind, ident=ident)
        door.show(*found.versions)
        return found


def of_type(reader: Reader, actor: Actor, kind: str, span: Span, count: int, behind: Mark | None = None) -> Changes:
    """Versions of all resources of a type, newest first. Raises `Forbidden`, also for who was granted a part only."""
    if kind in READ_ONLY:
        raise NotSupported(f"Resources of the type {kind} have no history: they never change.")
    with enter(actor, "history", kind, query="_history") as door:
        door.require_no_limits()
        found = reader.changes([kind], span, count, behind)
        door.show(*found.versions)
        return found


def of_record(reader: Reader, actor: Actor, span: Span, count: int, behind: Mark | None = None) -> Changes:
    """Versions of everything that this person may see the whole of, newest first. Raises `Forbidden`."""
    kinds = [kind for kind in SERVED_TYPES if kind not in READ_ONLY and _is_open(actor, kind)]
    if not kinds:
        raise Forbidden(Issue("forbidden", "This person may see no type of resource as a whole.", rule="permissions"))
    with enter(actor, "history", kinds[0], query="_history") as door:
        door.passage.type = ""
        found = reader.changes(kinds, span, count, behind)
        door.show(*found.versions)
        return found


def _is_open(actor: Actor, kind: str) -> bool:
    try:
        return require(actor, "history", kind).rows is None
    except Forbidden:
        return False
