"""Create, update and delete. The transaction opens here and is committed before there is anything to answer."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue, Malformed
from service.fhir import search_parameters, text
from service.settings import Settings
from service.storage.records import Stored
from service.usecases import resources
from service.usecases.resources import Written
from service.web.errors import outcome
from service.web.fhir.answers import answer, change_answer, version_headers
from service.web.fhir.negotiation import require_json
from service.web.fhir.requests import (
    Pairs,
    actor_of,
    as_malformed,
    base_url,
    expected_version,
    id_in,
    only_form,
    pairs_of,
    preferences_of,
    type_in,
)
from service.web.work import Work


class Writing:
    """The handlers that change one resource."""

    def __init__(self, work: Work, settings: Settings) -> None:
        self._work = work
        self._integrity = settings.referential_integrity

    async def create(self, request: Request) -> Response:
        """Store a new resource, or find the one that If-None-Exist describes."""
        actor, kind, form = actor_of(request), type_in(request), only_form(request)
        condition = request.headers.get("if-none-exist")
        if condition is not None:
            _require_condition(kind, pairs_of(condition.removeprefix("?"), "If-None-Exist"))
        body = await body_of(request)

        def job() -> Written:
            resource = _resource_in(body, kind)
            with self._work.records.write(actor) as writer:
                return resources.create(
                    writer, actor, resource, if_none_exist=condition, referential_integrity=self._integrity
                )

        written = await self._work.change(job)
        status = 200 if written.outcome == "found" else 201
        return change_answer(written.stored, status, preferences_of(request), form, base_url(request))

    async def update(self, request: Request) -> Response:
        """Store the next version of a resource, or its first under an id of the client's choice."""
        actor, kind, form = actor_of(request), type_in(request), only_form(request)
        ident, expected, body = id_in(request), expected_version(request), await body_of(request)

        def job() -> Written:
            resource = _resource_in(body, kind)
            _require_id(resource, ident)
            with self._work.records.write(actor) as writer:
                return resources.update(
                    writer, actor, resource, expected=expected, referential_integrity=self._integrity
                )

        written = await self._work.change(job)
        status = 201 if written.outcome == "created" else 200
        return change_answer(written.stored, status, preferences_of(request), form, base_url(request))

    async def delete(self, request: Request) -> Response:
        """Mark a resource deleted; its versions stay readable."""
        actor, kind, form = actor_of(request), type_in(request), only_form(request)
        ident, expected = id_in(request), expected_version(request)

        def job() -> Stored:
            with self._work.records.write(actor) as writer:
                return resources.delete(
                    writer, actor, kind, ident, expected=expected, referential_integrity=self._integrity
                )

        stored = await self._work.change(job)
        if preferences_of(request).returning != "OperationOutcome":
            return Response(status_code=204, headers=version_headers(stored))
        done = Issue("informational", f"{stored.reference} is deleted; its versions stay.", severity="information")
        return answer(text.dump(outcome([done])), form, headers=version_headers(stored))


async def body_of(request: Request) -> bytes:
    """The JSON body as it came; raises `UnsupportedFormat` for any other."""
    require_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
    return await request.body()


def _resource_in(body: bytes, kind: str) -> text.Json:
    """The resource in a body; raises `Malformed` unless it is one of type `kind`."""
    resource = text.parse(body)
    found = resource.get("resourceType")
    if found != kind:
        message = "The body is not of the type in the address."
        raise Malformed(Issue("invalid", message, "resourceType", str(found), "same-type", kind))
    return resource


def _require_id(resource: text.Json, ident: str) -> None:
    if resource.get("id") != ident:
        message = "The id in the body is not the one in the address."
        found = str(resource.get("id", "none"))
        raise Malformed(Issue("invalid", message, f"{resource['resourceType']}.id", found, "same-id", ident))


def _require_condition(kind: str, pairs: Pairs) -> None:
    with as_malformed():
        query = search_parameters.parse(kind, pairs)
    if not query.clauses:
        message = "A condition needs at least one search parameter."
        raise Malformed(Issue("required", message, "http.If-None-Exist", expected="identifier=system|value"))
