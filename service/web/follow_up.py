"""What a course came to, over HTTP: response to the orthosis, course in short, nerves, and review points."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from pydantic import Field

from service.fhir import text
from service.settings import Settings
from service.storage.stored import Stored
from service.usecases.change_clinic import change_rules_of
from service.usecases.follow_up import course_in_short, nerve_follow_up, orthosis_response
from service.usecases.form import Form, Text, filled
from service.usecases.review import acknowledge, review_points
from service.web.change import DESCRIBED, Measure, PatientId, Series, Site, Until, teller
from service.web.course_changes import Recorded, answered
from service.web.fhir.requests import actor_of, checked_id, only_form
from service.web.fhir.writing import body_of
from service.web.form_schema import form_schema
from service.web.work import Work

EXAMPLE = {"point": "5f0c1d2e3b4a6978", "note": "Seen at the visit; measured again next week."}
"""An invented acknowledgement."""
Since = Annotated[str, Query(description="The first day looked at. Empty: the first on record.")]


class Acknowledgement(Form):
    """That the acting person has seen a review point."""

    point: Annotated[Text, Field(description="The mark of the point, as it was shown.")]
    note: Annotated[str, Field(description="What there is to say about it.", max_length=2000)] = ""


def follow_up_router(work: Work, settings: Settings) -> APIRouter:
    """The routes of follow-up and of review points below `/patients`."""
    router = APIRouter(prefix="/patients/{patient}", tags=["Patients"])
    _add_follow_up(router, work, settings)
    _add_review(router, work, settings)
    return router


def _add_follow_up(router: APIRouter, work: Work, settings: Settings) -> None:
    told = teller(work, settings)

    @router.get(
        "/orthosis-response",
        summary="In the orthosis, just out of it, and free: the gains side by side.",
        operation_id="patient-orthosis-response",
        **DESCRIBED,
    )
    async def response(
        request: Request, patient: PatientId, measure: Measure = "", site: Site = "", since: Since = "",
        until: Until = "", series: Series = "",
    ) -> Response:  # fmt: skip
        """What of a gain in the orthosis is there without it, as a share with its interval, and only where that gain
        exceeds its error; what was left after an orthosis came off. Angles in which an orthosis holds a joint are left
        out. Movement patterns stand beside the measures.
        """
        return await told(request, patient, ("measure", "site", "since", "until", "series"), orthosis_response)

    @router.get("/course-summary", summary="The course in short.", operation_id="patient-course-summary", **DESCRIBED)
    async def course(
        request: Request, patient: PatientId, measure: Measure = "", site: Site = "", until: Until = ""
    ) -> Response:
        """Baseline, best (a value, no verdict), last and goal, days to each milestone, visits a week, and the rate of
        this course beside that of the time before it.
        """
        return await told(request, patient, ("measure", "site", "until"), course_in_short)

    @router.get(
        "/nerve-follow-up",
        summary="Each nerve from its repair on.",
        operation_id="patient-nerve-follow-up",
        **DESCRIBED,
    )
    async def nerves(request: Request, patient: PatientId, site: Site = "", until: Until = "") -> Response:
        """How fast the sign advances, with an interval; the zones at or beyond loss of protective sensation; the zones
        better and worse by marking steps among those tested both times.
        """
        return await told(request, patient, ("site", "until"), nerve_follow_up)


def _add_review(router: APIRouter, work: Work, settings: Settings) -> None:
    told, rules, zone = teller(work, settings), change_rules_of(settings.change_file), settings.zone_info or UTC

    @router.get(
        "/review-points",
        summary="What the numbers show that nobody has acknowledged yet.",
        operation_id="patient-review-points",
        **DESCRIBED,
    )
    async def points(request: Request, patient: PatientId) -> Response:
        """Short statements with the numbers that made them and a caution, safety first, a few at most. None says what
        is to be done; where a precaution in force touches the part there is none, except a red flag without an answer.
        """
        return await told(request, patient, (), review_points)

    schema: dict[str, Any] = {"application/json": {"schema": form_schema(Acknowledgement), "example": EXAMPLE}}

    @router.post(
        "/review-points/acknowledgements",
        summary="Say that you have seen a review point.",
        operation_id="acknowledge-review-point",
        status_code=201,
        response_description="Written down, by now safely on disk. The same again changes nothing.",
        openapi_extra={"requestBody": {"required": True, "content": schema}},
    )
    async def acknowledgement(request: Request, response: Response, patient: PatientId) -> Recorded:
        """The point stays quiet until what it says, or what it rests on, changes."""
        only_form(request)
        actor, ident, body = actor_of(request), checked_id(patient), await body_of(request)
        today = datetime.now(UTC).astimezone(zone).date()

        def job() -> Stored:
            given = filled(text.parse(body), Acknowledgement)
            with work.records.write(actor) as writer:
                return acknowledge(writer, actor, ident, given.point, given.note, rules, today)

        return answered(await work.change(job), response)
