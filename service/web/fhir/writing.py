"""Create, update and delete. The transaction opens here and is committed before there is anything to answer."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue, Malformed
from service.fhir import search_parameters, text
from service.fhir.given import as_malformed
from service.fhir.patches import patch_in
from service.fhir.walk import shown
from service.settings import Settings
from service.storage.records import Stored
from service.usecases import conditional, resources
from service.usecases.resources import Written
from service.web.errors import outcome
from service.web.fhir.answers import answer, change_answer, version_headers
from service.web.fhir.negotiation import require_json, require_patch
from service.web.fhir.requests import (
    Form,
    Pairs,
    Preferences,
    actor_of,
    base_url,
    expected_version,
    form_of,
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
            _require_condition(kind, pairs_of(condition.removeprefix("?"), "If-None-Exist"), "If-None-Exist")
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

    async def update_where(self, request: Request) -> Response:
        """Store the next version of the one resource that the query finds, or a new one where it finds none."""
        actor, kind, expected = actor_of(request), type_in(request), expected_version(request)
        form, condition = _condition_in(request, kind)
        body = await body_of(request)

        def job() -> Written:
            resource = _resource_in(body, kind)
            with self._work.records.write(actor) as writer:
                return conditional.update(
                    writer, actor, resource, condition, expected=expected, referential_integrity=self._integrity
                )

        written = await self._work.change(job)
        status = 201 if written.outcome == "created" else 200
        return change_answer(written.stored, status, preferences_of(request), form, base_url(request))

    async def patch(self, request: Request) -> Response:
        """Change a resource by a JSON Patch or a FHIRPath Patch."""
        return await self._patch(request, only_form(request), id_in(request))

    async def patch_where(self, request: Request) -> Response:
        """Change the one resource that the query finds by a patch of either form."""
        form, condition = _condition_in(request, type_in(request))
        return await self._patch(request, form, condition=condition)

    async def _patch(self, request: Request, form: Form, ident: str = "", condition: str | None = None) -> Response:
        actor, kind, expected = actor_of(request), type_in(request), expected_version(request)
        media_type = require_patch(request.headers.get("content-type"), request.headers.get("content-encoding"))
        body = await request.body()

        def job() -> Written:
            patched_by = patch_in(body, media_type)
            with self._work.records.write(actor) as writer:
                name = ident if condition is None else conditional.matched(writer, actor, kind, condition)
                return conditional.patch(
                    writer, actor, kind, name, patched_by, expected=expected, referential_integrity=self._integrity
                )

        written = await self._work.change(job)
        return change_answer(written.stored, 200, preferences_of(request), form, base_url(request))

    async def delete_where(self, request: Request) -> Response:
        """Mark the one resource deleted that the query finds."""
        actor, kind, expected = actor_of(request), type_in(request), expected_version(request)
        form, condition = _condition_in(request, kind)

        def job() -> Stored | None:
            with self._work.records.write(actor) as writer:
                return conditional.delete(
                    writer, actor, kind, condition, expected=expected, referential_integrity=self._integrity
                )

        stored = await self._work.change(job)
        if stored is None:
            return Response(status_code=204)
        return _deleted(stored, preferences_of(request), form)

    async def delete(self, request: Request) -> Response:
        """Mark a resource deleted; its versions stay readable."""
        actor, kind, form = actor_of(request), type_in(request), only_form(request)
        ident, expected = id_in(request), expected_version(request)

        def job() -> Stored:
            with self._work.records.write(actor) as writer:
                return resources.delete(
                    writer, actor, kind, ident, expected=expected, referential_integrity=self._integrity
                )

        return _deleted(await self._work.change(job), preferences_of(request), form)


def _deleted(stored: Stored, preferences: Preferences, form: Form) -> Response:
    if preferences.returning != "OperationOutcome":
        return Response(status_code=204, headers=version_headers(stored))
    done = Issue("informational", f"{stored.reference} is deleted; its versions stay.", severity="information")
    return answer(text.dump(outcome([done])), form, headers=version_headers(stored))


def _condition_in(request: Request, kind: str) -> tuple[Form, str]:
    """The form of the answer, and the condition in the query; raises `Malformed` for one that says nothing."""
    form, pairs = form_of(request, pairs_of(request.scope["query_string"]))
    _require_condition(kind, pairs, "query")
    return form, urlencode(pairs)


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
        raise Malformed(Issue("invalid", message, "resourceType", shown(found or "none"), "same-type", kind))
    return resource


def _require_id(resource: text.Json, ident: str) -> None:
    if resource.get("id") != ident:
        message = "The id in the body is not the one in the address."
        found = shown(resource.get("id", "none"))
        raise Malformed(Issue("invalid", message, f"{resource['resourceType']}.id", found, "same-id", ident))


def _require_condition(kind: str, pairs: Pairs, where: str) -> None:
    with as_malformed():
        query = search_parameters.parse(kind, pairs)
    if not query.clauses:
        message = "A condition needs at least one search parameter."
        raise Malformed(Issue("required", message, f"http.{where}", expected="identifier=system|value"))
