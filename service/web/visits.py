"""Visits in, as a clinician would say them."""

from __future__ import annotations

import re
from typing import Any

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, Field

from service.errors import Gone, Invalid, NotFound
from service.fhir import text
from service.settings import Settings
from service.usecases.visit_input import visit_of, visit_schema
from service.usecases.visits import Recorded, Written, record_visit
from service.web.errors import OutcomeIssue, outcome_issue
from service.web.fhir.requests import BASE, actor_of
from service.web.fhir.writing import body_of
from service.web.work import Work

EXAMPLE: dict[str, Any] = {
    "patient": {"system": "https://clinic.example/file", "value": "12"},
    "when": "2026-03-02T09:30",
    "zone": "Europe/Vienna",
    "by": {"name": "A. Invented, hand therapist"},
    "key": {"system": "https://clinic.example/visit", "value": "2026-0417"},
    "readings": [
        {
            "kind": "joint-motion",
            "side": "right",
            "site": "index-pip",
            "motion": "flexion",
            "mode": "active",
            "together": "together",
            "method": "goniometer-dorsal",
            "value": "85",
            "unit": "deg",
            "convention": "named",
        },
        {
            "kind": "grip-strength",
            "side": "right",
            "site": "hand",
            "trials": ["21.5", "23.0", "22.0"],
            "unit": "kgf",
        },
    ],
}
"""An invented visit."""


class Since(BaseModel):
    """How long ago something happened to the hand that was measured."""

    since: str = Field(description="`injury` or `operation`.")
    what: str = Field(description="What it was.")
    days: int = Field(description="Days up to the reading.")


class RecordedReading(BaseModel):
    """What became of one measurement of the visit."""

    act: str = Field(description="`created`, `updated`, or `unchanged` where the record has it already.")
    reference: str = Field(description="The Observation that holds it.", examples=["Observation/1f0c"])
    version: int = Field(description="Its version.")
    place: str = Field(description="Where it stood in what was sent.", examples=["readings[0]"])
    site: str = Field(description="What was measured, in words.")
    precautions: list[str] = Field(description="The precautions in force on that day that touch it.")
    elapsed: list[Since] = Field(description="Time since each injury and operation of that side.")


class RecordedVisit(BaseModel):
    """A visit as it was recorded: all of its readings."""

    encounter: str = Field(description="The Encounter that stands for the visit.", examples=["Encounter/2b7e"])
    readings: list[RecordedReading] = Field(description="In the order in which they were sent.")
    warnings: list[OutcomeIssue] = Field(description="What was unlikely and accepted with a reason.")


def visits_router(work: Work, settings: Settings) -> APIRouter:
    """The route `/visits`."""
    router = APIRouter(tags=["Visits"])
    content = {"application/json": {"schema": {"$ref": "#/components/schemas/Visit"}, "example": EXAMPLE}}

    @router.post(
        "/visits",
        summary="Record a visit: all its readings, or none.",
        operation_id="record-visit",
        status_code=201,
        response_description="Recorded, by now safely on disk.",
        openapi_extra={"requestBody": {"required": True, "content": content}},
    )
    async def record(request: Request, response: Response) -> RecordedVisit:
        """What cannot be is refused; what is unlikely is asked about, and accepted once the reading says `confirmed`
        with a reason. A second visit with the same key adds to the first; the same reading with another value is
        refused with both shown.
        """
        actor, body = actor_of(request), await body_of(request)

        def job() -> Recorded:
            visit = visit_of(text.parse(body), settings.zone_info)
            with work.records.write(actor) as writer:
                return record_visit(writer, actor, visit)

        try:
            recorded = await work.change(job)
        except (NotFound, Gone) as error:
            # It is the body that names what is not there, not the address.
            raise Invalid(*error.issues) from error
        response.headers["location"] = f"{BASE}/{recorded.encounter.reference}"
        return _answer(recorded)

    return router


def _answer(recorded: Recorded) -> RecordedVisit:
    readings = [
        RecordedReading(
            act=each.act,
            reference=each.stored.reference,
            version=each.stored.version,
            place=each.place,
            site=each.measurement.site.name,
            **_beside(recorded, each),
        )
        for each in recorded.written
    ]
    warnings = [OutcomeIssue.model_validate(outcome_issue(issue)) for issue in recorded.warnings]
    return RecordedVisit(encounter=recorded.encounter.reference, readings=readings, warnings=warnings)


def _beside(recorded: Recorded, written: Written) -> dict[str, Any]:
    """What a reading is read against."""
    site, day = written.measurement.site, written.measurement.circumstances.taken.date()
    precautions, elapsed = recorded.background.precautions_at(site), recorded.background.elapsed_at(site, day)
    return {
        "precautions": [f"{p.what} ({f'until {p.until}, ' if p.until else ''}{p.by})" for p in precautions],
        "elapsed": [Since(since=e.since, what=e.what, days=e.days) for e in elapsed],
    }


def visit_schemas() -> dict[str, Any]:
    """The schema of a visit, with that of each kind of reading under a name of its own."""
    visit = visit_schema()
    items = visit["properties"]["readings"]["items"]
    kinds = {_name(kind): {"type": "object", **kind} for kind in items["oneOf"]}
    items["oneOf"] = [{"$ref": f"#/components/schemas/{name}"} for name in kinds]
    return {"Visit": {"description": "One patient's visit, as a clinician would say it.", **visit}, **kinds}


def _name(kind: dict[str, Any]) -> str:
    return "".join(word.capitalize() for word in re.findall("[A-Za-z]+", kind["title"])) + "Reading"
