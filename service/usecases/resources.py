"""The verbs of the FHIR interface on single resources: read, search, create, update, delete.

Every write passes the same checks in the same order: the standard, our profiles, the types that only the record itself
writes, the references. The transaction is the caller's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Literal
from urllib.parse import parse_qsl

from service.domain.actor import Actor
from service.errors import Invalid, Issue, NotSupported, SeveralMatches
from service.fhir.claims import check_claims
from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_parameters import Query, parse
from service.fhir.text import Json
from service.fhir.validation import require_valid
from service.storage.records import Page, Reader, Stored, Writer
from service.usecases import audit
from service.usecases.doors import Door, enter
from service.usecases.including import along
from service.usecases.merged import redirected, refuse_parting, require_own_records
from service.usecases.origin import without_mark
from service.usecases.orthosis_guard import is_of_episode, refuse_direct_change, settle
from service.usecases.permissions import require
from service.usecases.reading_guard import require_fitting
from service.usecases.rederiving import rederive
from service.usecases.referring import require_references, require_unreferred
from service.usecases.signing import after_signature, marked
from service.usecases.visit_guard import refuse_gutting, refuse_loss

EVENT = "AuditEvent"
READ_ONLY = frozenset({EVENT})
"""Types that the record writes by itself, and nobody else."""


@dataclass(frozen=True, slots=True)
class Written:
    """What a create or update came to: `found` is the resource that a conditional create met instead of making one."""

    stored: Stored
    outcome: Literal["created", "updated", "unchanged", "found"]


def read(reader: Reader, actor: Actor, kind: str, ident: str) -> Stored:
    """The present version. Raises `NotFound`, `Gone` or `Forbidden`."""
    with enter(actor, "read", kind, ident) as door:
        stored = reader.get(kind, ident) if kind != EVENT else audit.read(reader, ident)
        door.show(stored)
        return stored


def read_version(reader: Reader, actor: Actor, kind: str, ident: str, version: int) -> Stored:
    """One version. Raises `NotFound`, `Gone` or `Forbidden`."""
    with enter(actor, "vread", kind, ident) as door:
        is_event = kind == EVENT and version == 1
        stored = audit.read(reader, ident) if is_event else reader.version(kind, ident, version)
        door.show(stored)
        return stored


def history(
    reader: Reader, actor: Actor, kind: str, ident: str, *, count: int | None = None, before: int | None = None
) -> list[Stored]:
    """Versions, newest first: at most `count` of those below `before`. Raises `NotFound` or `Forbidden`."""
    with enter(actor, "history", kind, ident) as door:
        if kind == EVENT:
            found = [audit.read(reader, ident)][:count]
        else:
            found = reader.history(kind, ident, count=count, before=before)
        door.show(*found)
        return found


def search(reader: Reader, actor: Actor, query: Query) -> Page:
    """One page of the matches that this person may see. Raises `Forbidden`."""
    with enter(actor, "search", query.type, query="&".join(f"{name}={value}" for name, value in query.used)) as door:
        if query.type == EVENT:
            door.require_no_limits()
            page = audit.search(reader, query)
        else:
            page = _found(reader, door, query)
            page = replace(page, included=tuple(along(reader, actor, query.includes, page.matches)))
        return door.show_page(page)


def _found(reader: Reader, door: Door, query: Query) -> Page:
    """A page of matches; a search by a patient whose record was merged into another's finds what is there."""
    page = reader.search(door.within(query))
    anew = redirected(reader, query) if not page.matches else None
    return reader.search(door.within(anew)) if anew else page


def create(
    writer: Writer,
    actor: Actor,
    resource: Json,
    *,
    if_none_exist: str | None = None,
    referential_integrity: bool = True,
    imported: bool = False,
    fitting: bool = False,
) -> Written:
    """Store a new resource under an id of the record's own; an id in `resource` is not used, as the standard says.

    Only what is `imported` may bear the mark of an import; it is taken off everything else.

    With `if_none_exist` (search parameters, as in a URL) one match is answered instead. Raises `SeveralMatches` for
    more. `referential_integrity` requires that what it refers to is in the record. `fitting` says that a reading was
    held against its patient already, as a visit does.
    """
    require_kept(resource)
    with enter(actor, "create", str(resource["resourceType"])) as door:
        require_lawful(resource)
        if if_none_exist is not None:
            found = only_match(writer, actor, resource["resourceType"], if_none_exist)
            if found:
                return Written(found, "found")
        if referential_integrity:
            require_references(writer, [resource])
        written = _store(writer, actor, door, resource if imported else without_mark(resource))
        return settled(writer, actor, [written], fitting=fitting)[0]


def settled(writer: Writer, actor: Actor, written: Sequence[Written], *, fitting: bool = False) -> list[Written]:
    """What was written, as it stands after everything that follows from it was set. Raises what forbids it."""
    require_own_records(writer, [one.stored for one in written])
    if not fitting:
        require_fitting(writer, [one.stored for one in written])
    settle(writer, actor, [one.stored for one in written])
    return [
        replace(one, stored=writer.get(one.stored.type, one.stored.id)) if is_of_episode(one.stored) else one
        for one in written
    ]


def add(writer: Writer, actor: Actor, resource: Json, *, id: str | None = None) -> Written:  # noqa: A002 - FHIR's word
    """Store a new resource that was checked already; its caller settles it. Raises `Forbidden`."""
    with enter(actor, "create", str(resource["resourceType"])) as door:
        return _store(writer, actor, door, resource, id)


def _store(writer: Writer, actor: Actor, door: Door, resource: Json, ident: str | None = None) -> Written:
    stored = writer.create(marked(resource, actor), id=ident)
    if door.limits.rows is not None:
        door.require_within(stored.resource)
    door.wrote(stored)
    return Written(stored, "created")


def update(
    writer: Writer,
    actor: Actor,
    resource: Json,
    *,
    expected: int | None = None,
    referential_integrity: bool = True,
    imported: bool = False,
) -> Written:
    """Store the next version of the resource of that id, or the first. Raises `PreconditionFailed`, `Forbidden`.

    A change by hand takes the mark of an import off, as `create` does. What was derived from a reading follows it.
    """
    require_kept(resource)
    kind, ident = str(resource["resourceType"]), str(resource.get("id", ""))
    with enter(actor, "update", kind, ident) as door:
        require_lawful(resource)
        before = writer.find(kind, ident)
        if before is None or before.deleted:
            require(actor, "create", kind).require(resource, f"{kind}/{ident}")
        else:
            door.require_before(before)
        door.require_within(resource)
        refuse_direct_change(resource, before)
        refuse_parting(resource, before)
        if referential_integrity:
            require_references(writer, [resource])
        resource = resource if imported else without_mark(resource)
        resource = marked(resource, actor)
        resource = after_signature(resource, before)
        stored = writer.update(resource, expected=expected)
        door.wrote(stored)
        refuse_gutting(writer, before, stored)
        require_own_records(writer, [stored])
        require_fitting(writer, [stored])
        if before is None or before.deleted:
            return Written(stored, "created")
        if stored.version == before.version:
            return Written(stored, "unchanged")
        if kind == "Observation":
            rederive(writer, actor, [stored])
        return Written(stored, "updated")


def delete(
    writer: Writer,
    actor: Actor,
    kind: str,
    ident: str,
    *,
    expected: int | None = None,
    referential_integrity: bool = True,
) -> Stored:
    """Mark a resource deleted; its versions stay, and what was derived from it is withdrawn.

    Raises `NotFound`, `PreconditionFailed`, `Forbidden`, and, with `referential_integrity`, `Conflict` while others
    refer to it.
    """
    require_writable(kind)
    with enter(actor, "delete", kind, ident) as door:
        before = writer.find(kind, ident)
        if before is not None:
            door.require_before(before)
        refuse_direct_change(None, before)
        refuse_parting(None, before)
        refuse_loss(writer, before)
        stored = writer.delete(kind, ident, expected=expected)
        if kind == "Observation":
            rederive(writer, actor, [stored])
        if referential_integrity:
            require_unreferred(writer, [(kind, ident)])
        door.wrote(stored)
        return stored


def require_kept(resource: Json) -> None:
    """Raises `NotSupported` for a type that is not kept here, or that only the record itself writes."""
    kind = resource.get("resourceType")
    if not isinstance(kind, str):
        require_valid(resource)
    if kind not in SERVED_TYPES:
        message = f"This record keeps no resources of a type '{kind}'."
        raise NotSupported(Issue("not-supported", message, "resourceType", str(kind)))
    require_writable(str(kind))


def require_lawful(resource: Json) -> None:
    """Raises `Invalid` for what is no valid R4 or breaks a profile it claims, `NotSupported` as `require_kept` does."""
    require_kept(resource)
    require_valid(resource)
    errors = [issue for issue in check_claims(resource, datetime.now(UTC)) if issue.severity in ("error", "fatal")]
    if errors:
        raise Invalid(*errors)


def require_writable(kind: str) -> None:
    """Raises `NotSupported` for a type that only the record itself writes."""
    if kind in READ_ONLY:
        raise NotSupported(f"Resources of the type {kind} are written by the record itself and can only be read.")


def only_match(reader: Reader, actor: Actor, kind: str, condition: str) -> Stored | None:
    """The one resource that search parameters, as in a URL, find. Raises `SeveralMatches`, or `Invalid` for none."""
    pairs = parse_qsl(condition.removeprefix("?"), keep_blank_values=True)
    query = parse(kind, [*pairs, ("_count", "2")])
    if not query.clauses:
        message = "A condition needs at least one search parameter."
        raise Invalid(Issue("required", message, "condition", condition, expected="identifier=system|value"))
    matches = search(reader, actor, query).matches
    if len(matches) > 1:
        raise SeveralMatches(Issue("multiple-matches", f"The condition fits more than one {kind}.", value=condition))
    return matches[0] if matches else None
