"""The course of therapy below a patient: what happened, what is not allowed, what is wanted, and how it stands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from service.domain.actor import Actor
from service.domain.anatomy import Site, site
from service.domain.result_json import plain
from service.errors import Invalid, Issue
from service.fhir import text
from service.settings import Settings
from service.storage.records import Writer
from service.storage.stored import Stored
from service.usecases import form as forms
from service.usecases.course_input import DETAILS, CourseForm, PartForm
from service.usecases.course_record import precautions_at, record_detail, record_for, show_course
from service.usecases.courses import open_course, record_state
from service.web.course_changes import PatientId, Recorded, add_changes, answered
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import (
    Form,
    actor_of,
    checked_id,
    form_of,
    pairs_of,
    preferences_of,
    refuse_unknown,
)
from service.web.fhir.writing import body_of
from service.web.form_schema import form_schema
from service.web.work import Work

OnDay = Annotated[str, Query(alias="on", description="The day it is about, as 2026-03-02; today where none is given.")]
_SAID = {
    "injuries": "an injury, or the illness that is treated",
    "operations": "an operation",
    "referrals": "a referral, with what it tells",
    "precautions": "a precaution: what is not allowed, until when, and who said so",
    "goals": "a goal with its target",
    "pictures": "where a photograph or video is kept, and for what the patient consented",
}


EXAMPLES: dict[str, dict[str, Any]] = {
    "course": {"since": "2026-02-01", "affected": ["right"], "reference": "left", "reason": "tendon repair"},
    "parts": {"side": "right", "site": "index-dip", "state": "fused", "angle": 10, "since": "2020-01-01"},
    "injuries": {
        "what": "laceration of both flexor tendons", "side": "right", "on": "2026-02-01", "mechanism": "glass",
        "digits": ["ring"], "zone": "flexor-2",
    },
    "operations": {
        "what": "tendon repair", "side": "right", "on": "2026-02-03", "structures": ["FDP", "FDS"], "digits": ["ring"],
        "by": "Dr Example (invented)",
    },
    "referrals": {"on": "2026-02-04", "by": "Dr Example (invented)", "tells": {"zone": "2", "repair": "four strands"}},
    "precautions": {
        "what": "no gripping against resistance", "by": "Dr Example (invented)", "side": "right", "sites": ["ring"],
        "since": "2026-02-03", "until": "2026-04-28", "kinds": ["grip-strength"],
    },
    "goals": {
        "what": "grip as strong as before", "whose": "patient", "code": "grip-strength-right-free", "side": "right",
        "site": "hand", "target": {"value": 30, "unit": "kgf"}, "due": "2026-06-01",
    },
    "pictures": {
        "form": "photo", "side": "right", "site": "hand", "view": "palmar", "taken": "2026-03-02",
        "url": "https://pictures.clinic.example/12/1", "content_type": "image/jpeg", "purposes": ["treatment"],
    },
}  # fmt: skip
"""Invented, one for each address."""

_SHOWN: dict[int | str, dict[str, Any]] = {
    200: {"description": "As it stands on that day.", "content": {"application/json": {"schema": {"type": "object"}}}}
}


Recording = Callable[[Writer, Actor, str, Mapping[str, Any]], Stored]


def _course(writer: Writer, actor: Actor, patient: str, document: Mapping[str, Any]) -> Stored:
    return open_course(writer, actor, replace(forms.filled(document, CourseForm).made(), patient=patient))


def _part(writer: Writer, actor: Actor, patient: str, document: Mapping[str, Any]) -> Stored:
    return record_state(writer, actor, patient, forms.filled(document, PartForm).made())


def _detail(name: str) -> Recording:
    def record(writer: Writer, actor: Actor, patient: str, document: Mapping[str, Any]) -> Stored:
        return record_detail(writer, actor, patient, forms.filled(document, DETAILS[name]).made())

    return record


_RECORDED: dict[str, tuple[str, type[forms.Form], Recording]] = {
    "course": ("the course of therapy: which side, which side may serve as reference", CourseForm, _course),
    "parts": ("the state a part is in from a day on", PartForm, _part),
    **{name: (_SAID[name], form, _detail(name)) for name, form in DETAILS.items()},
}


def courses_router(work: Work, settings: Settings) -> APIRouter:
    """The routes of the course below `/patients`."""
    router = APIRouter(prefix="/patients", tags=["Course of therapy"])
    for name, (said, form, record) in _RECORDED.items():
        _add(router, work, name, said, form, record)
    add_changes(router, work)
    _add_shown(router, work, settings)
    return router


def _add(router: APIRouter, work: Work, name: str, said: str, form: type[forms.Form], record: Recording) -> None:
    schema = {"application/json": {"schema": form_schema(form), "example": EXAMPLES[name]}}

    @router.post(
        f"/{{patient}}/{name}",
        summary=f"Write down {said}.",
        operation_id=f"record-{name}",
        status_code=201,
        response_description="Written down, by now safely on disk. The same again changes nothing.",
        openapi_extra={"requestBody": {"required": True, "content": schema}},
    )
    async def post(request: Request, response: Response, patient: PatientId) -> Recorded:
        actor, ident, body = actor_of(request), checked_id(patient), await body_of(request)

        def job() -> Stored:
            document = text.parse(body)
            with work.records.write(actor) as writer:
                return record_for(writer, actor, ident, lambda subject: record(writer, actor, subject, document))

        return answered(await work.change(job), response)


def _form(request: Request, *known: str) -> Form:
    """The form of the answer. Raises `Malformed` for a parameter that is none of `known`."""
    form, rest = form_of(request, pairs_of(request.scope["query_string"]))
    refuse_unknown([pair for pair in rest if pair[0] not in known], preferences_of(request))
    return form


def _add_shown(router: APIRouter, work: Work, settings: Settings) -> None:
    def day_of(said: str) -> date:
        if not said:
            return datetime.now(settings.zone_info or UTC).date()
        try:
            return date.fromisoformat(said)
        except ValueError:
            issue = Issue("value", f"'{said}' is not a day.", "on", said, "day", "a day such as 2026-03-02")
            raise Invalid(issue) from None

    @router.get(
        "/{patient}/course",
        summary="A patient's course: what happened, what is in force, how the goals stand.",
        operation_id="patient-course",
        response_class=Response,
        responses=_SHOWN,
    )
    async def course(request: Request, patient: PatientId, on: OnDay = "") -> Response:
        """Time since each injury and operation, the precautions in force, what a referral leaves out, and how far each
        goal is from its target, with the published error. The numbers inform; they prescribe nothing.
        """
        form, actor, ident, day = _form(request, "on"), actor_of(request), checked_id(patient), day_of(on)
        found = await work.read(lambda reader: show_course(reader, actor, ident, day))
        return answer(text.dump(plain(found)), replace(form, content_type=PLAIN_JSON))

    @router.get(
        "/{patient}/precautions",
        summary="The precautions in force, before anything is measured.",
        operation_id="patient-precautions",
        response_class=Response,
        responses=_SHOWN,
    )
    async def precautions(
        request: Request,
        patient: PatientId,
        on: OnDay = "",
        side: Annotated[str, Query(description="The side to be measured.")] = "",
        part: Annotated[str, Query(alias="site", description="The part to be measured, with its side.")] = "",
        kind: Annotated[str, Query(description="The kind of measurement.")] = "",
    ) -> Response:
        """Those that touch a part, where one is named, and whether each names that kind of measurement."""
        form = _form(request, "on", "side", "site", "kind")
        actor, ident, day = actor_of(request), checked_id(patient), day_of(on)
        place: Site | None = site(side, part) if side or part else None
        found = await work.read(lambda reader: precautions_at(reader, actor, ident, day, place, kind))
        return answer(
            text.dump({"on": day.isoformat(), "precautions": plain(found)}), replace(form, content_type=PLAIN_JSON)
        )
