"""Answers that carry FHIR: stored text as it stands, with the headers that go with a version."""

from __future__ import annotations

from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime
from http import HTTPStatus

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue
from service.fhir import text
from service.storage.records import Stored
from service.web.errors import outcome
from service.web.fhir.requests import Form, Preferences


def answer(body: bytes, form: Form, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """FHIR JSON text as an answer."""
    content = msgspec.json.format(body, indent=2) if form.pretty else body
    return Response(content, status, headers=headers, media_type=form.content_type)


def phrase(status: int) -> str:
    """A status with its words, as in `201 Created`."""
    return f"{status} {HTTPStatus(status).phrase}"


def tag_of(stored: Stored) -> str:
    """The ETag of a version."""
    return f'W/"{stored.version}"'


def version_headers(stored: Stored) -> dict[str, str]:
    """ETag and Last-Modified of a version."""
    updated = stored.updated.astimezone(UTC).replace(microsecond=0)
    return {"etag": tag_of(stored), "last-modified": format_datetime(updated, usegmt=True)}


def address_of(stored: Stored, base: str) -> str:
    """The absolute address of a version."""
    return f"{base}/{stored.type}/{stored.id}/_history/{stored.version}"


def version_answer(request: Request, stored: Stored, form: Form) -> Response:
    """A version as the answer to a reader, or 304 when the reader has it already."""
    headers = version_headers(stored)
    if _has_it_already(request, stored):
        return Response(status_code=304, headers=headers)
    return answer(form.view.of(stored.body), form, headers=headers)


def _has_it_already(request: Request, stored: Stored) -> bool:
    tags = request.headers.get("if-none-match")
    if tags is not None:
        known = [tag.strip().removeprefix("W/") for tag in tags.split(",")]
        return "*" in known or f'"{stored.version}"' in known
    since = request.headers.get("if-modified-since")
    moment = _moment(since) if since else None
    return moment is not None and stored.updated.replace(microsecond=0) <= moment


def _moment(written: str) -> datetime | None:
    """An HTTP date, or None for what is none: such a header is passed over (RFC 9110 §13.1.3)."""
    try:
        moment = parsedate_to_datetime(written)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def change_answer(stored: Stored, status: int, preferences: Preferences, form: Form, base: str) -> Response:
    """The answer to a change that made, or found, the version `stored`."""
    headers = {**version_headers(stored), "location": address_of(stored, base)}
    if preferences.returning == "minimal":
        return Response(status_code=status, headers=headers)
    if preferences.returning == "OperationOutcome":
        done = Issue(
            "informational", f"This is {stored.type}/{stored.id}, version {stored.version}.", severity="information"
        )
        return answer(text.dump(outcome([done])), form, status, headers)
    return answer(stored.body, form, status, headers)
