"""Operations: those that read, by address or with a Parameters resource, and `$validate`."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue, Malformed
from service.fhir import text
from service.fhir.given import asked
from service.fhir.operations import Operation
from service.settings import Settings
from service.usecases import operations
from service.usecases.operations import SAID, Done
from service.web.errors import outcome
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import require_json
from service.web.fhir.requests import (
    actor_of,
    base_url,
    checked_id,
    form_and_view_of,
    form_of,
    id_in,
    pairs_of,
    preferences_of,
    refuse_unknown,
    type_in,
)
from service.web.fhir.searching import searchset
from service.web.fhir.writing import body_of
from service.web.work import Work

_MODES = ("create", "update", "profile")


class Operations:
    """The handlers of operations."""

    def __init__(self, work: Work, settings: Settings) -> None:
        self._work = work
        self._zone = settings.zone_info

    def reading(self, operation: Operation, kind: str) -> Callable[[Request], Awaitable[Response]]:
        """The handler of an operation that reads, on one type: by GET, or by POST with a Parameters resource."""

        async def carried_out(request: Request) -> Response:
            ident = id_in(request) if "id" in request.path_params else ""
            actor, base, written = actor_of(request), base_url(request), pairs_of(request.scope["query_string"])
            form, pairs = form_and_view_of(request, kind, written) if operation.searches else form_of(request, written)
            call = asked(
                operation, kind, ident, pairs, await _parameters(request),
                lenient=preferences_of(request).lenient, zone=self._zone, base=base,
            )  # fmt: skip
            if operation.name in SAID:
                done = Done(SAID[operation.name](call))
            else:
                done = await self._work.read(lambda reader: operations.carry_out(reader, actor, call))
            if done.resource is not None:
                return answer(text.dump(done.resource), form)
            return answer(searchset(*done.matches, base, f"{base}/{call.path}", form), form)

        return carried_out

    async def validate(self, request: Request) -> Response:
        """Whether a resource could be stored here, and what should be known of it."""
        kind = type_in(request)
        ident = checked_id(request.path_params["id"]) if "id" in request.path_params else ""
        form, pairs = form_of(request, pairs_of(request.scope["query_string"]))
        refuse_unknown([pair for pair in pairs if pair[0] not in ("mode", "profile")], preferences_of(request))
        sent = text.parse(await body_of(request))
        resource, parameters = _sent(sent)
        wanted = [*pairs, *parameters]
        for mode in (value for name, value in wanted if name == "mode"):
            if mode not in _MODES:
                message, expected = "Nothing can be validated for this.", ", ".join(_MODES)
                raise Malformed(Issue("not-supported", message, "http.mode", mode, expected=expected))
        issues = list(operations.verdict_on(resource, kind, [value for name, value in wanted if name == "profile"]))
        if ident and resource.get("id", ident) != ident:
            issues.append(Issue("invalid", "The resource has another id than the address.", f"{kind}.id"))
        if not issues:
            issues = [Issue("informational", f"This is a valid {kind}.", severity="information")]
        return answer(text.dump(outcome(issues)), form)


async def _parameters(request: Request) -> text.Json | None:
    """What was sent by POST; an empty body says nothing."""
    if request.method != "POST":
        return None
    body = await request.body()
    if not body:
        return None
    require_json(request.headers.get("content-type"), request.headers.get("content-encoding"))
    return text.parse(body)


def _sent(body: text.Json) -> tuple[text.Json, Sequence[tuple[str, str]]]:
    """The resource, and what is asked of it: it comes alone, or in a Parameters resource with that."""
    if body.get("resourceType") != "Parameters":
        return body, ()
    listed: Any = body.get("parameter")
    parts = [part for part in listed if isinstance(part, dict)] if isinstance(listed, list) else []
    resource = next((part.get("resource") for part in parts if part.get("name") == "resource"), None)
    if not isinstance(resource, dict):
        raise Malformed(Issue("required", "The Parameters hold no resource to validate.", "Parameters.parameter"))
    named = [
        (str(part.get("name")), part.get(key)) for part in parts for key in ("valueCode", "valueUri", "valueCanonical")
    ]
    return resource, [(name, value) for name, value in named if isinstance(value, str)]
