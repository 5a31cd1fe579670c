"""Shorthand, shown back as discrete values before anything is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from fastapi import APIRouter, Request, Response

from service.domain.result_json import plain
from service.errors import Invalid, Issue, Malformed
from service.fhir import text
from service.usecases.shorthand import questions_about, read_line
from service.web.errors import outcome_issue
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import only_form
from service.web.fhir.writing import body_of

_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["lines"],
    "properties": {
        "lines": {"type": "array", "items": {"type": "string"}, "description": "One reading each."},
        "declared": {"type": "string", "description": "Words that hold for every line, such as the convention."},
    },
}
_EXAMPLE = {"declared": "neutral-zero ext/flex", "lines": ["R ring PIP AROM 0-20-90", "R grip 30/32/31 kgf handle 2"]}


def shorthand_router() -> APIRouter:
    """The route `/shorthand`."""
    router = APIRouter(tags=["Visits"])
    content = {"application/json": {"schema": _SCHEMA, "example": _EXAMPLE}}

    @router.post(
        "/shorthand",
        summary="Show what lines of shorthand are read as. Nothing is stored.",
        operation_id="read-shorthand",
        response_class=Response,
        response_description="For each line its discrete values, or what is wrong with it.",
        openapi_extra={"requestBody": {"required": True, "content": content}},
    )
    async def show(request: Request) -> Response:
        """A line that can be read answers `readings`, and under `asked` what would be refused or asked about. One that
        cannot answers `issues`. `POST /visits` takes such a line as a reading, as `{"shorthand": "…"}`.
        """
        form = only_form(request)
        lines, declared = _lines(text.parse(await body_of(request)))
        found = [{"line": line, **_shown(line, declared)} for line in lines]
        return answer(text.dump({"lines": found}), replace(form, content_type=PLAIN_JSON))

    return router


def _lines(body: Mapping[str, Any]) -> tuple[list[str], str]:
    lines, declared = body.get("lines"), body.get("declared", "")
    texts = isinstance(lines, list) and all(isinstance(line, str) for line in lines)
    if not texts or not isinstance(declared, str):
        expected = '{"lines": ["R ring PIP AROM flexion 85"], "declared": ""}'
        raise Malformed(
            Issue("structure", "Lines are a list of texts, and declared is a text.", "lines", "", "", expected)
        )
    return list(lines or []), declared


def _shown(line: str, declared: str) -> dict[str, Any]:
    try:
        reading = read_line(line, declared)
    except Invalid as error:
        return {"issues": [outcome_issue(issue) for issue in error.issues]}
    shown = [{k: v for k, v in plain(m).items() if k not in ("id", "version", "taken")} for m in reading.measurements]
    return {"readings": shown, "asked": [outcome_issue(issue) for issue in questions_about(reading)]}
