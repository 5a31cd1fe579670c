"""Orthosis and cast episodes, from decision to end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Query, Request, Response

from service.domain.actor import Actor
from service.errors import Gone, Invalid, NotFound
from service.fhir import text
from service.settings import Settings
from service.storage.records import Reader, Writer
from service.usecases.form import filled
from service.usecases.orthoses import begin, list_episodes, read_episode, record, record_wear, retract
from service.usecases.orthosis_clinic import Clinic, clinic_of
from service.usecases.orthosis_guard import Told
from service.usecases.orthosis_input import EpisodeForm, EventsForm, RetractionForm, WearsForm
from service.usecases.orthosis_views import LAST_WORD, Moment, brief, full, of_patient, timeline
from service.usecases.permissions import require_operation
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import Form, actor_of, checked_id, form_of, pairs_of, preferences_of, refuse_unknown
from service.web.fhir.writing import body_of
from service.web.orthosis_forms import EVENTS_EXAMPLE, EXAMPLE, body
from service.web.work import Work

Ident = Annotated[str, Path(description="The episode's id.")]
_ANSWERS: dict[int | str, dict[str, Any]] = {200: {"description": LAST_WORD, "content": {"application/json": {}}}}


@dataclass(frozen=True, slots=True)
class _Desk:
    """Where requests about orthoses are answered: the record, what the clinic has set, and its zone."""

    work: Work
    clinic: Clinic
    zone: ZoneInfo | None

    @property
    def moment(self) -> Moment:
        return Moment.present(self.zone)

    async def show(self, request: Request, look: Callable[[Reader, Actor], Any]) -> Response:
        form, actor = _form(request), actor_of(request)
        return answer(text.dump(await self.work.read(lambda reader: look(reader, actor))), form)

    async def change(
        self, request: Request, do: Callable[[Writer, Actor, text.Json], Told], status: int = 200
    ) -> Response:
        form, actor, document = _form(request), actor_of(request), text.parse(await body_of(request))

        def job() -> dict[str, Any]:
            with self.work.records.write(actor) as writer:
                return full(writer, do(writer, actor, document), self.clinic, self.moment)

        found = await self.work.change(job)
        return answer(text.dump(found), form, status, {"location": f"/orthosis-episodes/{found['id']}"})


def _form(request: Request) -> Form:
    """How to write the answer. Raises `Malformed` for parameters that none of these routes knows."""
    form, rest = form_of(request, pairs_of(request.scope["query_string"]))
    refuse_unknown([pair for pair in rest if pair[0] not in ("patient", "state", "date")], preferences_of(request))
    return replace(form, content_type=PLAIN_JSON)


@contextmanager
def of_body() -> Iterator[None]:
    """It is the body that names what is not there, not the address: `NotFound` leaves as `Invalid`."""
    try:
        yield
    except (NotFound, Gone) as error:
        raise Invalid(*error.issues) from error


def orthoses_router(work: Work, settings: Settings) -> APIRouter:
    """The routes `/orthosis-episodes` and `/patients/{id}/orthoses`. Raises `Misconfigured`."""
    desk = _Desk(work, clinic_of(settings.orthosis_file), settings.zone_info)
    router = APIRouter(tags=["Orthoses"])
    _beginning(router, desk)
    _lists(router, desk)
    _one(router, desk)
    _events(router, desk)
    _corrections(router, desk)
    return router


def _beginning(router: APIRouter, desk: _Desk) -> None:
    @router.post(
        "/orthosis-episodes",
        summary="Begin an episode, with what has happened already: all of it, or nothing.",
        operation_id="begin-orthosis-episode",
        status_code=201,
        response_class=Response,
        openapi_extra=body("OrthosisEpisode", EXAMPLE),
    )
    async def begin_episode(request: Request) -> Response:
        """A history that cannot have happened is refused, with the rule and the state; so are orthoses that cannot be
        worn together.
        """

        def do(writer: Writer, actor: Actor, document: text.Json) -> Told:
            require_operation(actor, "orthosis-events")  # before anybody is looked up by identifier
            with of_body():
                return begin(writer, actor, filled(document, EpisodeForm).made(writer, desk.zone))

        return await desk.change(request, do, 201)


def _lists(router: APIRouter, desk: _Desk) -> None:
    @router.get(
        "/orthosis-episodes",
        summary="Episodes by patient, by state, or by the day worn.",
        operation_id="list-orthosis-episodes",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def list_them(
        request: Request,
        patient: Annotated[str, Query(description="The patient's id; without it, every patient's.")] = "",
        state: Annotated[str, Query(description="Only those in this state.")] = "",
        day: Annotated[date | None, Query(alias="date", description="Only those worn on this day.")] = None,
    ) -> Response:
        """In the order in which they were recorded."""
        ident = checked_id(patient.removeprefix("Patient/")) if patient else ""

        def look(reader: Reader, actor: Actor) -> Any:
            found = list_episodes(reader, actor, patient=ident, state=state, day=day)
            return {"episodes": [brief(told, desk.clinic, desk.moment) for told in found], "note": LAST_WORD}

        return await desk.show(request, look)

    @router.get(
        "/patients/{patient}/orthoses",
        summary="A patient's orthoses: what is worn now and since when, what is due, and all episodes.",
        operation_id="patient-orthoses",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def at_a_glance(request: Request, patient: Annotated[str, Path(description="The patient's id.")]) -> Response:
        """Red flags that nobody has answered come first. What is due follows from limits the clinic has set."""
        ident = checked_id(patient)
        return await desk.show(request, lambda r, actor: of_patient(r, actor, ident, desk.clinic, desk.moment))


def _one(router: APIRouter, desk: _Desk) -> None:
    @router.get(
        "/orthosis-episodes/{episode}",
        summary="One episode, with its events, dose, safety texts and what its report lacks.",
        operation_id="read-orthosis-episode",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def read_one(request: Request, episode: Ident) -> Response:
        """The design is given as decided and as it is now, after every change."""
        ident = checked_id(episode)
        return await desk.show(
            request, lambda r, actor: full(r, read_episode(r, actor, ident), desk.clinic, desk.moment)
        )

    @router.get(
        "/orthosis-episodes/{episode}/events",
        summary="What happened to an orthosis, in order.",
        operation_id="orthosis-timeline",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def events_of(request: Request, episode: Ident) -> Response:
        """Events that were taken back are there, with the reason."""
        ident = checked_id(episode)
        return await desk.show(request, lambda r, actor: {"events": timeline(read_episode(r, actor, ident))})


def _events(router: APIRouter, desk: _Desk) -> None:
    @router.post(
        "/orthosis-episodes/{episode}/events",
        summary="Record what happened: all of it, or nothing.",
        operation_id="record-orthosis-events",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=body("OrthosisEvents", EVENTS_EXAMPLE),
    )
    async def add_events(request: Request, episode: Ident) -> Response:
        """Events may come late: the whole history is judged anew with them. `after` refuses what was written without
        having seen the last event.
        """
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Told:
            form = filled(document, EventsForm)
            with of_body():
                events = form.made(writer, desk.zone)
            return record(writer, actor, ident, events, after=form.after)

        return await desk.change(request, do)

    @router.post(
        "/orthosis-episodes/{episode}/hours",
        summary="Record hours worn, reported or sensed.",
        operation_id="record-orthosis-hours",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=body("OrthosisWear", {"days": [{"day": "2026-03-03", "hours": 21.5, "by": "patient"}]}),
    )
    async def add_hours(request: Request, episode: Ident) -> Response:
        """A day without a report is left out: missing is not zero."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Told:
            return record_wear(writer, actor, ident, [day.made() for day in filled(document, WearsForm).days])

        return await desk.change(request, do)


def _corrections(router: APIRouter, desk: _Desk) -> None:
    @router.post(
        "/orthosis-episodes/{episode}/events/{number}/retraction",
        summary="Take back an event that did not happen.",
        operation_id="retract-orthosis-event",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=body("OrthosisRetraction", {"reason": "Recorded for the wrong patient"}),
    )
    async def take_back(
        request: Request, episode: Ident, number: Annotated[int, Path(description="The event's number.")]
    ) -> Response:
        """It stays written, with the reason, and counts for nothing. Refused where later events rest on it."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Told:
            form = filled(document, RetractionForm)
            return retract(writer, actor, ident, number, form.reason, after=form.after)

        return await desk.change(request, do)
