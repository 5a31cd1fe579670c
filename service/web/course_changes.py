"""Changing and ending what stands in a course of therapy: each change is a new version, and nothing is lost."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from pydantic import BaseModel, Field

from service.domain.precautions import Precaution
from service.fhir import text
from service.storage.records import Writer
from service.storage.stored import Stored
from service.usecases.course_input import CourseEndForm, CourseForm, EndForm
from service.usecases.course_record import end_precaution, record_for
from service.usecases.courses import change_course, close_course
from service.usecases.form import Form, filled
from service.web.fhir.requests import BASE, actor_of, checked_id, expected_version
from service.web.fhir.writing import body_of
from service.web.form_schema import form_schema
from service.web.work import Work

PatientId = Annotated[str, Path(description="The patient's id.")]
_VERSION = {
    "name": "If-Match",
    "in": "header",
    "description": "The version that is to be changed; refused if it is another.",
    "schema": {"type": "string"},
    "example": 'W/"2"',
}


class Recorded(BaseModel):
    """What was written down."""

    reference: str = Field(description="The resource that holds it.", examples=["Flag/1f0c"])
    version: int = Field(description="Its version.")


class Ended(Recorded):
    """A course that ended, and what its end leaves in force."""

    still_in_force: list[str] = Field(description="Precautions that hold on the day after: each has its own end.")


def answered(stored: Stored, response: Response) -> Recorded:
    """The answer to something that was written down."""
    response.headers["location"] = f"{BASE}/{stored.reference}"
    return Recorded(reference=stored.reference, version=stored.version)


def add_changes(router: APIRouter, work: Work) -> None:
    """The routes that change and end a course, and end a precaution."""
    _add_change(router, work)
    _add_course_end(router, work)
    _add_precaution_end(router, work)


def _body(form: type[Form], example: dict[str, Any], *parameters: dict[str, Any]) -> dict[str, Any]:
    content = {"application/json": {"schema": form_schema(form), "example": example}}
    stated = {"parameters": list(parameters)} if parameters else {}
    return {"requestBody": {"required": True, "content": content}, **stated}


def _add_change(router: APIRouter, work: Work) -> None:
    example = {"since": "2026-02-01", "affected": ["right"], "reference": None, "dominant": "right"}

    @router.put(
        "/{patient}/course",
        summary="Say the open course of therapy anew, as it is now known.",
        operation_id="change-course",
        response_description="Written down as its next version, by now safely on disk. The same again changes nothing.",
        openapi_extra=_body(CourseForm, example, _VERSION),
    )
    async def change(request: Request, response: Response, patient: PatientId) -> Recorded:
        actor, ident, expected = actor_of(request), checked_id(patient), expected_version(request)
        body = await body_of(request)

        def job() -> Stored:
            course = filled(text.parse(body), CourseForm).made()

            def record(writer: Writer, who: str) -> Stored:
                return change_course(writer, actor, replace(course, patient=who), expected)

            with work.records.write(actor) as writer:
                return record_for(writer, actor, ident, lambda who: record(writer, who))

        return answered(await work.change(job), response)


def _add_course_end(router: APIRouter, work: Work) -> None:
    @router.post(
        "/{patient}/course/end",
        summary="Say which day was the last of the course of therapy.",
        operation_id="end-course",
        response_description="Written down, by now safely on disk, with the precautions that hold on after it.",
        openapi_extra=_body(CourseEndForm, {"until": "2026-06-30"}, _VERSION),
    )
    async def end(request: Request, response: Response, patient: PatientId) -> Ended:
        actor, ident, expected = actor_of(request), checked_id(patient), expected_version(request)
        body = await body_of(request)

        def job() -> tuple[Stored, tuple[Precaution, ...]]:
            until = filled(text.parse(body), CourseEndForm).until
            left: list[Precaution] = []

            def record(writer: Writer, who: str) -> Stored:
                stored, in_force = close_course(writer, actor, who, until, expected)
                left.extend(in_force)
                return stored

            with work.records.write(actor) as writer:
                return record_for(writer, actor, ident, lambda who: record(writer, who)), tuple(left)

        stored, in_force = await work.change(job)
        return Ended(**answered(stored, response).model_dump(), still_in_force=[p.what for p in in_force])


def _add_precaution_end(router: APIRouter, work: Work) -> None:
    @router.post(
        "/{patient}/precautions/{precaution}/end",
        summary="Say until when a precaution holds, and who said so.",
        operation_id="end-precaution",
        response_description="Written down, by now safely on disk.",
        openapi_extra=_body(EndForm, {"until": "2026-03-31", "by": "Dr Example (invented)"}),
    )
    async def end(
        request: Request,
        response: Response,
        patient: PatientId,
        precaution: Annotated[str, Path(description="The id of its Flag.")],
    ) -> Recorded:
        actor, ident, flag = actor_of(request), checked_id(patient), checked_id(precaution)
        body = await body_of(request)

        def job() -> Stored:
            form = filled(text.parse(body), EndForm)
            with work.records.write(actor) as writer:
                return record_for(
                    writer, actor, ident, lambda who: end_precaution(writer, actor, who, flag, form.until, form.by)
                )

        return answered(await work.change(job), response)
