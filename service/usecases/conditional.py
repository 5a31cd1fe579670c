"""Changes to what a condition finds, and changes by patch (https://hl7.org/fhir/R4/http.html#cond-update)."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from service.domain.actor import Actor
from service.errors import Invalid, Issue, NotFound
from service.fhir import text
from service.fhir.bundle_requests import Request
from service.fhir.patches import Patch
from service.fhir.text import Json
from service.fhir.walk import shown
from service.storage.preconditions import require_version
from service.storage.records import Stored, Writer
from service.usecases import resources
from service.usecases.doors import enter
from service.usecases.resources import Written


def resolved(writer: Writer, actor: Actor, request: Request) -> Request | None:
    """The request with what its condition finds in the place of the condition; None for a DELETE that finds nothing.

    A PUT that finds nothing becomes the creation of what it sends. Raises `NotFound` for such a PATCH,
    `PreconditionFailed` for one that expects a version, `SeveralMatches`, and `Invalid` for a body with the id of
    another resource.
    """
    condition = str(request.condition)
    if request.method == "PATCH":
        return replace(request, condition=None, id=matched(writer, actor, request.type, condition))
    match = resources.only_match(writer, actor, request.type, condition)
    if request.method == "DELETE":
        if match is None:
            require_version(f"The {request.type} that the condition finds", None, request.expected)
        return replace(request, condition=None, id=match.id) if match else None
    resource = targeted(cast(Json, request.resource), match)
    if "id" not in resource:
        require_version(f"The {request.type} that the condition finds", None, request.expected)
        return replace(request, condition=None, method="POST", if_none_exist=condition)
    return replace(request, condition=None, id=str(resource["id"]), resource=resource)


def update(
    writer: Writer,
    actor: Actor,
    resource: Json,
    condition: str,
    *,
    expected: int | None = None,
    referential_integrity: bool = True,
) -> Written:
    """Store the next version of the one resource that a condition finds, or a new one where it finds none.

    Raises `SeveralMatches`, `Invalid` for a body with the id of another resource, and what an update raises;
    `PreconditionFailed` also where a version is expected and there is nothing.
    """
    resources.require_kept(resource)
    match = resources.only_match(writer, actor, str(resource["resourceType"]), condition)
    target = targeted(resource, match)
    if "id" not in target:
        require_version(f"The {resource['resourceType']} that the condition finds", None, expected)
        return resources.create(writer, actor, target, referential_integrity=referential_integrity)
    return resources.update(writer, actor, target, expected=expected, referential_integrity=referential_integrity)


def targeted(resource: Json, match: Stored | None) -> Json:
    """The body of a conditional update with the id of what it changes. Raises `Invalid` if it has another."""
    if match is None:
        return resource
    if resource.get("id", match.id) != match.id:
        message, where = "The condition finds another resource than the one in the body.", f"{match.type}.id"
        raise Invalid(Issue("invalid", message, where, str(resource["id"]), "same-id", match.id))
    return {**resource, "id": match.id}


def delete(
    writer: Writer,
    actor: Actor,
    kind: str,
    condition: str,
    *,
    expected: int | None = None,
    referential_integrity: bool = True,
) -> Stored | None:
    """Mark the one resource deleted that a condition finds; None where it finds none and no version is expected.

    Raises `SeveralMatches`, `PreconditionFailed`, and what a delete raises.
    """
    resources.require_writable(kind)
    match = resources.only_match(writer, actor, kind, condition)
    if match is None:
        require_version(f"The {kind} that the condition finds", None, expected)
        return None
    return resources.delete(
        writer, actor, kind, match.id, expected=expected, referential_integrity=referential_integrity
    )


def patch(
    writer: Writer,
    actor: Actor,
    kind: str,
    ident: str,
    patched_by: Patch,
    *,
    expected: int | None = None,
    referential_integrity: bool = True,
) -> Written:
    """Change a resource by a patch; what comes of it is checked as an update is.

    Raises `NotFound`, `Gone`, `Conflict` where a test of the patch fails, and what an update raises.
    """
    resources.require_writable(kind)
    with enter(actor, "update", kind, ident) as door:
        stored = writer.get(kind, ident)
        door.require_before(stored)
        # Written and read again, it keeps within the same limits as any body.
        patched = text.parse(text.dump(patched_by(stored.resource)))
        _require_same(patched, stored)
        written = resources.update(
            writer, actor, patched, expected=expected, referential_integrity=referential_integrity
        )
        door.wrote(written.stored)
        return written


def matched(writer: Writer, actor: Actor, kind: str, condition: str) -> str:
    """The id of the one resource that a condition finds. Raises `NotFound`, `SeveralMatches`."""
    match = resources.only_match(writer, actor, kind, condition)
    if match is None:
        raise NotFound(Issue("not-found", f"No {kind} fits the condition.", value=condition))
    return match.id


def _require_same(patched: Json, stored: Stored) -> None:
    for name, right in (("resourceType", stored.type), ("id", stored.id)):
        if patched.get(name) != right:
            message = "A patch cannot make another resource of one."
            found = shown(patched.get(name, "none"))
            raise Invalid(Issue("invalid", message, f"{stored.type}.{name}", found, "same-id", right))
