"""The clinic's instruments and their calibrations."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from service.domain.result_json import plain
from service.fhir import text
from service.settings import Settings
from service.storage.stored import Stored
from service.usecases.instruments import (
    CalibrationForm,
    InstrumentForm,
    calibration_of,
    instrument_of,
    instruments_of,
    record_calibration,
    record_instrument,
)
from service.web.course_changes import Recorded
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import BASE, actor_of, checked_id, only_form
from service.web.fhir.writing import body_of
from service.web.form_schema import form_schema
from service.web.work import Work

INSTRUMENT = {
    "name": "dynamometer B", "type": "dynamometer", "system": "https://clinic.example/instrument", "value": "D-2",
    "serial": "0042",
}  # fmt: skip
CALIBRATION = {
    "at": "2026-02-01T08:00:00+01:00",
    "outcome": "calibrated",
    "by": "M. Example (invented)",
    "points": [{"applied": {"value": 20, "unit": "kgf"}, "shown": {"value": 20.5, "unit": "kgf"}}],
}


def _body(schema: dict[str, Any], example: dict[str, Any]) -> dict[str, Any]:
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema, "example": example}}}}


def instruments_router(work: Work, settings: Settings) -> APIRouter:
    """The routes below `/instruments`."""
    router = APIRouter(prefix="/instruments", tags=["Instruments"])
    shown = {"content": {"application/json": {"schema": {"type": "object"}}}, "description": "Every instrument."}

    @router.get(
        "",
        summary="The clinic's instruments with their calibrations.",
        operation_id="instruments",
        response_class=Response,
        responses={200: shown},
    )
    async def every(request: Request) -> Response:
        """At each calibration the largest difference, in percent of what was applied. A number, no verdict."""
        form, actor = only_form(request), actor_of(request)
        found = await work.read(lambda reader: instruments_of(reader, actor))
        return answer(text.dump({"instruments": plain(found)}), replace(form, content_type=PLAIN_JSON))

    @router.post(
        "",
        summary="Write down an instrument. The same again changes nothing.",
        operation_id="record-instrument",
        status_code=201,
        response_description="Written down, by now safely on disk.",
        openapi_extra=_body(form_schema(InstrumentForm), INSTRUMENT),
    )
    async def instrument(request: Request, response: Response) -> Recorded:
        actor, body = actor_of(request), await body_of(request)

        def job() -> Stored:
            made = instrument_of(text.parse(body))
            with work.records.write(actor) as writer:
                return record_instrument(writer, actor, made)

        return _answered(await work.change(job), response)

    @router.post(
        "/{instrument}/calibrations",
        summary="Write down a calibration. The same again changes nothing.",
        operation_id="record-calibration",
        status_code=201,
        response_description="Written down, by now safely on disk.",
        openapi_extra=_body(form_schema(CalibrationForm), CALIBRATION),
    )
    async def calibration(
        request: Request,
        response: Response,
        instrument: Annotated[str, Path(description="The id of the instrument's Device.")],
    ) -> Recorded:
        actor, ident, body = actor_of(request), checked_id(instrument), await body_of(request)

        def job() -> Stored:
            made = calibration_of(text.parse(body), settings.zone_info)
            with work.records.write(actor) as writer:
                return record_calibration(writer, actor, ident, made)

        return _answered(await work.change(job), response)

    return router


def _answered(stored: Stored, response: Response) -> Recorded:
    response.headers["location"] = f"{BASE}/{stored.reference}"
    return Recorded(reference=stored.reference, version=stored.version)
