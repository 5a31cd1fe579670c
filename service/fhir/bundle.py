"""Bundles: sets of matches, histories, and the answers to a batch or transaction.

Stored documents are put into a Bundle as the bytes they are, never read and written again. What the entries of a batch
or transaction ask for is read in `bundle_requests`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from service.fhir import text
from service.fhir.text import Json

_METHODS = {"create": "POST", "update": "PUT", "delete": "DELETE"}


class Document(Protocol):
    """A resource as its document, `body`."""

    @property
    def type(self) -> str: ...
    @property
    def id(self) -> str: ...
    @property
    def body(self) -> bytes: ...


class Version(Document, Protocol):
    """A stored version of a resource; `method` is create, update or delete."""

    @property
    def version(self) -> int: ...
    @property
    def updated(self) -> datetime: ...
    @property
    def deleted(self) -> bool: ...
    @property
    def method(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Links:
    """The absolute addresses of a page: of itself and, if there is one, of the next."""

    this: str
    next: str = ""

    @property
    def written(self) -> list[Json]:
        """As Bundle.link."""
        links = [{"relation": "self", "url": self.this}]
        return [*links, {"relation": "next", "url": self.next}] if self.next else links


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one entry. `status` begins with an HTTP status; `resource` is FHIR JSON as it stands."""

    status: str
    location: str = ""
    version: int | None = None
    updated: datetime | None = None
    resource: bytes = b""
    outcome: Json | None = None


def searchset(
    matches: Iterable[Document],
    *,
    base: str,
    links: Links,
    total: int | None = None,
    outcome: Json | None = None,
    included: Iterable[Document] = (),
) -> bytes:
    """A page of matches as a Bundle, with what comes along.

    `base` is the address resources are under; `outcome` tells what was ignored.
    """
    entries = [
        b'{"fullUrl":%b,"resource":%b,"search":{"mode":"%b"}}' % (_full_url(base, one), one.body, mode)
        for mode, listed in ((b"match", matches), (b"include", included))
        for one in listed
    ]
    if outcome is not None:
        entries.append(b'{"resource":%b,"search":{"mode":"outcome"}}' % text.dump(outcome))
    return _bundle("searchset", entries, links, total)


def history(
    versions: Iterable[Version], *, base: str, links: Links, status: Callable[[Version], str], total: int | None = None
) -> bytes:
    """Versions, newest first, as a history Bundle. `status` gives what was answered when a version was made."""
    entries = []
    for version in versions:
        resource = b"" if version.deleted else b',"resource":%b' % version.body
        rest = text.dump({
            "request": {"method": _METHODS[version.method], "url": _request_url(version)},
            "response": _stamped(status(version), version.version, version.updated),
        })  # fmt: skip
        entries.append(b'{"fullUrl":%b%b,%b' % (_full_url(base, version), resource, rest[1:]))
    return _bundle("history", entries, links, total)


def response(kind: str, answers: Iterable[Answer]) -> bytes:
    """The Bundle that answers a batch or transaction: one entry for each entry asked, in the same order.

    `kind` is batch or transaction.
    """
    entries = []
    for answer in answers:
        told = _stamped(answer.status, answer.version, answer.updated)
        if answer.location:
            told["location"] = answer.location
        if answer.outcome is not None:
            told["outcome"] = answer.outcome
        resource = b'"resource":%b,' % answer.resource if answer.resource else b""
        entries.append(b'{%b"response":%b}' % (resource, text.dump(told)))
    return _bundle(f"{kind}-response", entries)


def etag(version: int) -> str:
    """The weak entity tag of a version (https://hl7.org/fhir/R4/http.html#versioning)."""
    return f'W/"{version}"'


def _stamped(status: str, version: int | None, updated: datetime | None) -> Json:
    told: Json = {"status": status}
    if version is not None:
        told["etag"] = etag(version)
    if updated is not None:
        told["lastModified"] = updated.isoformat(timespec="microseconds").replace("+00:00", "Z")
    return told


def _request_url(version: Version) -> str:
    return version.type if version.method == "create" else f"{version.type}/{version.id}"


def _full_url(base: str, version: Document) -> bytes:
    # An id and a type need no escape, and base is this server's own address.
    return b'"%b/%b/%b"' % (base.encode(), version.type.encode(), version.id.encode())


def _bundle(kind: str, entries: list[bytes], links: Links | None = None, total: int | None = None) -> bytes:
    head: Json = {"resourceType": "Bundle", "type": kind}
    if total is not None:
        head["total"] = total
    if links is not None:
        head["link"] = links.written
    plain = text.dump(head)
    # FHIR allows no empty array.
    return b'%b,"entry":[%b]}' % (plain[:-1], b",".join(entries)) if entries else plain
