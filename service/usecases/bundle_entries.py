"""What an entry of a batch or transaction comes to, and the entries that read."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Literal

from service.domain.actor import Actor
from service.errors import Issue, NotFound, RecordError
from service.fhir.bundle_requests import Request
from service.fhir.given import as_malformed, asked
from service.fhir.operations import find
from service.fhir.search_dates import micros
from service.fhir.search_parameters import Query, parse
from service.fhir.subset import View, view_in
from service.fhir.text import Json
from service.storage.records import Page, Reader, Stored
from service.usecases import resources
from service.usecases.operations import carry_out

Outcome = Literal[
    "created", "updated", "unchanged", "found", "deleted", "read", "known", "page", "history", "operation", "failed"
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Result:
    """What became of one entry: a version, a page with its query, versions, what an operation came to, or the error.

    `known` is a version that the reader said it has; `deleted` without a version is a condition that found nothing.
    """

    outcome: Outcome
    stored: Stored | None = None
    page: Page | None = None
    query: Query | None = None
    versions: tuple[Stored, ...] = ()
    error: RecordError | None = None
    path: str = ""
    resource: Json | None = None
    view: View = field(default_factory=View)


@dataclass(frozen=True, slots=True)
class Terms:
    """How entries are carried out: whether references must be met, the zone of times without one, our own address."""

    referential_integrity: bool = True
    zone: tzinfo | None = None
    base: str = ""


def get(reader: Reader, actor: Actor, request: Request, terms: Terms) -> Result:
    """Answer an entry that reads: a search, an operation, a version, a history, a resource."""
    if request.operation:
        return _operated(reader, actor, request, terms)
    if not request.id:
        with as_malformed():
            view, taken, pairs = view_in(request.type, request.query)
            query = parse(request.type, pairs, zone=terms.zone, base=terms.base)
            page = resources.search(reader, actor, query)
            query = replace(query, used=(*query.used, *taken))
            return Result("page", page=page, query=query, path=request.type, view=view)
    if request.version is not None:
        found = resources.read_version(reader, actor, request.type, request.id, request.version)
        return Result("read", found)
    if request.history:
        versions = resources.history(reader, actor, request.type, request.id)
        return Result("history", versions=tuple(versions))
    found = resources.read(reader, actor, request.type, request.id)
    return Result("known" if _is_known(request, found) else "read", found)


def _operated(reader: Reader, actor: Actor, request: Request, terms: Terms) -> Result:
    operation = find(request.type, request.operation, "instance" if request.id else "type")
    if operation is None or not operation.by_get:
        message = f"There is no operation '${request.operation}' that a GET on this can ask for."
        raise NotFound(Issue("not-supported", message, "request.url", f"${request.operation}", "operation"))
    call = asked(operation, request.type, request.id, request.query, zone=terms.zone, base=terms.base)
    done = carry_out(reader, actor, call)
    return Result("operation", page=done.page, query=done.query, path=call.path, resource=done.resource)


def _is_known(request: Request, stored: Stored) -> bool:
    if request.known:
        return "*" in request.known or f'"{stored.version}"' in request.known
    return request.since is not None and micros(stored.updated) <= request.since
