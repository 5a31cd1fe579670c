"""How every error becomes an answer: an HTTP status and an OperationOutcome.

Statuses follow https://hl7.org/fhir/R4/http.html: 400 not readable, 404 and 410 not there, 409 and 412 in conflict, 422
readable but against a rule. A person gets sentences; a stack trace goes to the log, under a reference they can quote.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Mapping
from http import HTTPStatus
from typing import Any, Literal
from uuid import uuid4

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from sqlalchemy import exc
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import BaseRoute, Match, Route
from starlette.types import Scope

from service import errors
from service.errors import Issue, RecordError
from service.fhir import text
from service.logs import log
from service.usecases.form import sentence
from service.web.fhir.negotiation import FHIR_JSON
from service.web.headers import SECURE_HEADERS, pattern_of

STATUS: dict[type[RecordError], int] = {
    errors.Malformed: 400,
    errors.Invalid: 422,
    errors.NotFound: 404,
    errors.Gone: 410,
    errors.NotSupported: 405,
    errors.Conflict: 409,
    errors.SeveralMatches: 412,
    errors.PreconditionFailed: 412,
    errors.NotIdentified: 401,
    errors.Forbidden: 403,
    errors.TooMany: 429,
    errors.Unavailable: 503,
    errors.TooLarge: 413,
    errors.UnsupportedFormat: 415,
    errors.NotAcceptable: 406,
    errors.Misconfigured: 500,
    RecordError: 500,
}
"""The status of each error; a class that is not listed has the status of the nearest one above it."""

_ROUTING = {
    400: ("structure", "The request cannot be read: {detail}."),
    404: ("not-found", "There is nothing at {path}."),
    405: ("not-supported", "{method} is not offered at {path}; offered there: {allow}."),
}

_ONLY_READ = {"Allow": "GET, HEAD"}
"""Beside a 405 for a change that the record does not make (RFC 9110 §15.5.6)."""


def status_of(error: RecordError) -> int:
    """The HTTP status of an error."""
    return next(STATUS[kind] for kind in type(error).__mro__ if kind in STATUS)


class OutcomeIssue(BaseModel):
    """One thing that went wrong, or should be known."""

    severity: Literal["fatal", "error", "warning", "information"] = Field(description="How bad it is.")
    code: str = Field(description="Its kind, from https://hl7.org/fhir/R4/valueset-issue-type.html.")
    details: dict[str, str] = Field(description="`text`: the sentence for a person.")
    diagnostics: str | None = Field(None, description="What stood there, what was expected, and by which rule.")
    expression: list[str] | None = Field(
        None, description="Where: a FHIRPath expression, a field, or `http.` and the name of a header or parameter."
    )


def outcome(issues: Iterable[Issue]) -> text.Json:
    """Issues as an OperationOutcome (https://hl7.org/fhir/R4/operationoutcome.html)."""
    return {"resourceType": "OperationOutcome", "issue": [outcome_issue(issue) for issue in issues]}


def outcome_issue(issue: Issue) -> text.Json:
    """One issue as an element of OperationOutcome.issue."""
    facts = (("Found", issue.value), ("Expected", issue.expected), ("Rule", issue.rule))
    written: text.Json = {
        "severity": issue.severity,
        "code": issue.code,
        "details": {"text": _storable(issue.message)},
    }
    diagnostics = "; ".join(f"{name}: {_storable(fact)}" for name, fact in facts if fact)
    if diagnostics:
        written["diagnostics"] = diagnostics
    if issue.where:
        written["expression"] = [_storable(issue.where)]
    return written


def _storable(sentence: str) -> str:
    """`sentence` without what FHIR strings and UTF-8 cannot hold, which a quoted bad value may contain."""
    return "".join(c if c in "\t\n\r" or (c >= " " and not "\ud800" <= c <= "\udfff") else "�" for c in sentence)


def error_response(error: RecordError, headers: Mapping[str, str] | None = None) -> Response:
    """The answer to a request that met this error."""
    return _answer(status_of(error), error.issues, headers)


def _answer(status: int, issues: Iterable[Issue], headers: Mapping[str, str] | None = None) -> Response:
    body = text.dump(outcome(issues))
    return Response(body, status, headers=headers, media_type=FHIR_JSON)


def install(app: FastAPI) -> None:
    """Make every error of `app` an OperationOutcome."""

    async def answer(request: Request, error: Exception) -> Response:
        match error:
            case RecordError() if status_of(error) != HTTPStatus.INTERNAL_SERVER_ERROR:
                not_allowed = status_of(error) == HTTPStatus.METHOD_NOT_ALLOWED
                return error_response(error, _ONLY_READ if not_allowed else None)
            case RequestValidationError():
                return _answer(HTTPStatus.BAD_REQUEST, [_parameter_issue(found) for found in error.errors()])
            case exc.OperationalError() | exc.TimeoutError():
                return _unavailable(request, error)
            case HTTPException():
                return _not_routed(app, request, error)
        return _unexpected(request, error)

    async def answer_uncaught(request: Request, error: Exception) -> Response:
        response = _unexpected(request, error)
        response.headers.update(SECURE_HEADERS)  # the middleware that adds them lies further in
        response.headers["connection"] = "close"  # the HTTP server gives a connection up that met a defect
        return response

    for kind in (RecordError, RequestValidationError, HTTPException, exc.OperationalError, exc.TimeoutError):
        app.add_exception_handler(kind, answer)
    app.add_exception_handler(Exception, answer_uncaught)


def _not_routed(app: FastAPI, request: Request, error: HTTPException) -> Response:
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        headers["Allow"] = ", ".join(sorted(_offered(app, request.scope)))
    return _answer(error.status_code, [_routing_issue(request, error, headers.get("Allow", "nothing"))], headers)


def _offered(app: FastAPI, scope: Scope) -> set[str]:
    """The methods at the address that the router met first; each may be a route of its own."""
    here = list(_met(app.routes, scope))
    return {method for path, methods in here if path == here[0][0] for method in methods}


def _met(routes: Iterable[BaseRoute], scope: Scope) -> Iterator[tuple[str, set[str]]]:
    for route in routes:
        included = getattr(route, "original_router", None)  # FastAPI keeps what it includes as one route
        if included is not None:
            yield from _met(included.routes, scope)
        elif isinstance(route, Route) and route.matches(scope)[0] is not Match.NONE:
            yield route.path, route.methods or set()


def _routing_issue(request: Request, error: HTTPException, allow: str) -> Issue:
    code, sentence = _ROUTING.get(error.status_code, ("processing", "{detail}."))
    facts = {
        "detail": str(error.detail).rstrip("."),
        "path": request.url.path,
        "method": request.method,
        "allow": allow,
    }
    return Issue(code, sentence.format(**facts))


def _parameter_issue(found: dict[str, Any]) -> Issue:
    where = "http." + ".".join(str(step) for step in found["loc"][1:])
    return Issue("invalid", sentence(found), where, str(found.get("input", ""))[:100])


def _unavailable(request: Request, error: Exception) -> Response:
    log(logging.ERROR, "The database did not answer.", route=pattern_of(request.scope), exc_info=error)
    issue = Issue("transient", "The database does not answer at the moment. Try again later.")
    return _answer(HTTPStatus.SERVICE_UNAVAILABLE, [issue], {"Retry-After": "10"})


def _unexpected(request: Request, error: Exception) -> Response:
    reference = uuid4().hex
    log(logging.ERROR, "An unexpected error.", reference=reference, route=pattern_of(request.scope), exc_info=error)
    sentence = f"Something went wrong inside the record. Its log says more, under the reference {reference}."
    return _answer(HTTPStatus.INTERNAL_SERVER_ERROR, [Issue("exception", sentence)])
