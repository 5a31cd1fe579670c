"""What the record can say about one patient."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from service.domain.result_json import plain
from service.fhir import text
from service.usecases.summaries import summary_of
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import actor_of, checked_id, only_form
from service.web.work import Work

SUMMARY_SCHEMA: dict[str, Any] = {
    "type": "object",
    "description": (
        "One patient's hands, at the first visit and now. Every number names its formula with version and source, the"
        " readings it rests on, and its measurement error where one is published; what cannot be told is an object with"
        " a reason."
    ),
    "properties": {
        "red_flags": {
            "type": "array",
            "items": {"type": "object"},
            "description": "Checks of an orthosis entered as red flag, until a named clinician records what was done.",
        },
        "subject": {"type": "string", "description": "The patient."},
        "baseline": {"type": "string", "description": "The rule by which the first value is chosen."},
        "visits": {"type": "integer", "description": "How many days have readings."},
        "first": {"type": ["string", "null"], "format": "date-time", "description": "The earliest reading."},
        "last": {"type": ["string", "null"], "format": "date-time", "description": "The latest reading."},
        "hands": {"type": "array", "items": {"type": "object"}, "description": "Digits, grip and touch of each hand."},
        "states": {
            "type": "array",
            "items": {"type": "object"},
            "description": "Parts that are absent, fused, replaced.",
        },
        "warnings": {
            "type": "array",
            "items": {"type": "object"},
            "description": "Unlikely readings and why accepted.",
        },
        "precautions": {
            "type": "array",
            "items": {"type": "object"},
            "description": "What is not allowed, until when, and who said so: in force today.",
        },
        "not_shown": {"type": "object", "description": "Readings that no measure here rests on, by kind and site."},
        "not_used": {"type": "object", "description": "Results that could not be used, by reason."},
        "notes": {"type": "array", "items": {"type": "string"}, "description": "What else should be known."},
    },
}


def patients_router(work: Work) -> APIRouter:
    """The routes below `/patients`."""
    router = APIRouter(prefix="/patients", tags=["Patients"])
    content = {"application/json": {"schema": {"$ref": "#/components/schemas/PatientSummary"}}}

    @router.get(
        "/{patient}/summary",
        summary="One patient's hands, at the first visit and now.",
        operation_id="patient-summary",
        response_class=Response,
        responses={200: {"description": "The summary.", "content": content}},
    )
    async def summary(request: Request, patient: Annotated[str, Path(description="The patient's id.")]) -> Response:
        """Each digit's motion, grip and touch, against the other hand where a clinician marked it as reference. The
        numbers inform; they prescribe nothing.
        """
        form, actor, ident = only_form(request), actor_of(request), checked_id(patient)
        found = await work.read(lambda reader: summary_of(reader, actor, ident))
        return answer(text.dump(plain(found)), replace(form, content_type=PLAIN_JSON))

    return router
