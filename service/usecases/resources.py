"""The verbs of the FHIR interface on single resources: read, search, create, update, delete.

Every write passes the same checks in the same order: the standard, our profiles, the types that only the record itself
writes, the references. The transaction is the caller's.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal
from urllib.parse import parse_qsl

from service.domain.actor import Actor
from service.errors import Conflict, Invalid, Issue, NotSupported, SeveralMatches
from service.fhir.bundle_references import local_references
from service.fhir.definitions import SERVED_TYPES
from service.fhir.reading import check_profiles
from service.fhir.search_parameters import Query, parse
from service.fhir.text import Json
from service.fhir.validation import require_valid
from service.storage.records import Page, Reader, Stored, Writer

READ_ONLY = frozenset({"AuditEvent"})
"""Types that the record writes by itself, and nobody else."""


@dataclass(frozen=True, slots=True)
class Written:
    """What a create or update came to: `found` is the resource that a conditional create met instead of making one."""

    stored: Stored
    outcome: Literal["created", "updated", "unchanged", "found"]


def read(reader: Reader, _actor: Actor, kind: str, ident: str) -> Stored:
    """The present version. Raises `NotFound` or `Gone`."""
    return reader.get(kind, ident)


def read_version(reader: Reader, _actor: Actor, kind: str, ident: str, version: int) -> Stored:
    """One version. Raises `NotFound` or `Gone`."""
    return reader.version(kind, ident, version)


def history(
    reader: Reader, _actor: Actor, kind: str, ident: str, *, count: int | None = None, before: int | None = None
) -> list[Stored]:
    """Versions, newest first: at most `count` of those below `before`. Raises `NotFound`."""
    return reader.history(kind, ident, count=count, before=before)


def search(reader: Reader, _actor: Actor, query: Query) -> Page:
    """One page of matches."""
    return reader.search(query)


def create(
    writer: Writer,
    _actor: Actor,
    resource: Json,
    *,
    if_none_exist: str | None = None,
    referential_integrity: bool = True,
) -> Written:
    """Store a new resource under an id of the record's own; an id in `resource` is not used, as the standard says.

    With `if_none_exist` (search parameters, as in a URL) one match is answered instead. Raises `SeveralMatches` for
    more. `referential_integrity` requires that what it refers to is in the record.
    """
    require_lawful(resource)
    if if_none_exist is not None:
        found = only_match(writer, resource["resourceType"], if_none_exist)
        if found:
            return Written(found, "found")
    if referential_integrity:
        require_references(writer, [resource])
    return Written(writer.create(resource), "created")


def update(
    writer: Writer, _actor: Actor, resource: Json, *, expected: int | None = None, referential_integrity: bool = True
) -> Written:
    """Store the next version of the resource of that id, or the first. Raises `PreconditionFailed`."""
    require_lawful(resource)
    if referential_integrity:
        require_references(writer, [resource])
    before = writer.find(resource["resourceType"], str(resource.get("id", "")))
    stored = writer.update(resource, expected=expected)
    if before is None or before.deleted:
        return Written(stored, "created")
    return Written(stored, "unchanged" if stored.version == before.version else "updated")


def delete(
    writer: Writer,
    _actor: Actor,
    kind: str,
    ident: str,
    *,
    expected: int | None = None,
    referential_integrity: bool = True,
) -> Stored:
    """Mark a resource deleted; its versions stay. Raises `NotFound`, `PreconditionFailed`.

    With `referential_integrity` raises `Conflict` while others refer to it.
    """
    require_writable(kind)
    stored = writer.delete(kind, ident, expected=expected)
    if referential_integrity:
        require_unreferred(writer, [(kind, ident)])
    return stored


def require_lawful(resource: Json) -> None:
    """Raises `Invalid` for what is no valid R4 or breaks a profile it claims, `NotSupported` for a read-only type."""
    kind = resource.get("resourceType")
    if isinstance(kind, str) and kind not in SERVED_TYPES:
        message = f"This record keeps no resources of a type '{kind}'."
        raise NotSupported(Issue("not-supported", message, "resourceType", kind))
    require_writable(str(kind))
    require_valid(resource)
    errors = [issue for issue in check_profiles(resource) if issue.severity in ("error", "fatal")]
    if errors:
        raise Invalid(*errors)


def require_writable(kind: str) -> None:
    """Raises `NotSupported` for a type that only the record itself writes."""
    if kind in READ_ONLY:
        raise NotSupported(f"Resources of the type {kind} are written by the record itself and can only be read.")


def require_references(reader: Reader, resources: Iterable[Json]) -> None:
    """Raises `Invalid` naming every reference to a resource of this record that is not there."""
    found = [reference for resource in resources for reference in local_references(resource)]
    present = reader.existing({one.key for one in found})
    missing = [one for one in found if one.key not in present]
    if missing:
        raise Invalid(
            *(
                Issue(
                    "not-found",
                    "The reference points to a resource that is not in this record.",
                    one.where,
                    "/".join(one.key),
                    "referential-integrity",
                    "a resource that was stored before, or comes in the same transaction",
                )
                for one in missing
            )
        )


def require_unreferred(reader: Reader, deleted: Iterable[tuple[str, str]]) -> None:
    """Raises `Conflict` if anything in the record still refers to one of these."""
    for kind, ident in deleted:
        referrers = reader.referrers(kind, ident)
        if referrers:
            message = f"{kind}/{ident} cannot be deleted while others refer to it."
            raise Conflict(Issue("conflict", message, value=", ".join(referrers), rule="referential-integrity"))


def only_match(reader: Reader, kind: str, condition: str) -> Stored | None:
    """The one resource that search parameters, as in a URL, find. Raises `SeveralMatches`, or `Invalid` for none."""
    pairs = parse_qsl(condition.removeprefix("?"), keep_blank_values=True)
    query = parse(kind, [*pairs, ("_count", "2")])
    if not query.clauses:
        message = "A condition needs at least one search parameter."
        raise Invalid(Issue("required", message, "ifNoneExist", condition, expected="identifier=system|value"))
    matches = reader.search(query).matches
    if len(matches) > 1:
        raise SeveralMatches(Issue("multiple-matches", f"The condition fits more than one {kind}.", value=condition))
    return matches[0] if matches else None
