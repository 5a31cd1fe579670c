"""Confirming orthosis episodes for billing: the worklist, decisions, evidence, and exports.

No answer here holds a measurement, an angle, a finding or a clinician's own words.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response

from service.domain.actor import Actor
from service.domain.billing.confirmation import STATES
from service.domain.billing.rule_sets import DECIDES
from service.fhir import text
from service.settings import Settings
from service.storage.records import Reader, Writer
from service.usecases import billing, billing_evidence
from service.usecases.billing_cases import Case
from service.usecases.billing_clinic import billing_of
from service.usecases.billing_input import (
    AnswerForm,
    ConfirmationForm,
    DeliveryForm,
    QuestionForm,
    ReviewForm,
    StatementForm,
)
from service.usecases.billing_views import brief, full
from service.usecases.form import filled
from service.usecases.permissions import require_operation
from service.web.billing_desk import Desk
from service.web.billing_exports import exporting
from service.web.billing_forms import body
from service.web.fhir.requests import checked_id
from service.web.orthoses import of_body
from service.web.work import Work

Ident = Annotated[str, Path(description="The episode's id.")]
_BASE = "/billing/orthosis-episodes"
_ANSWERS: dict[int | str, dict[str, Any]] = {200: {"description": DECIDES, "content": {"application/json": {}}}}


def billing_router(work: Work, settings: Settings) -> APIRouter:
    """The routes below `/billing`. Raises `Misconfigured`."""
    desk = Desk(work, billing_of(settings.billing_rules, settings.billing_codes))
    router = APIRouter(tags=["Billing"])
    _reading(router, desk)
    _confirming(router, desk)
    _reviewing(router, desk)
    _proving(router, desk)
    exporting(router, desk)
    return router


def _reading(router: APIRouter, desk: Desk) -> None:
    @router.get(
        _BASE,
        summary="Episodes to confirm for billing, by state.",
        operation_id="billing-worklist",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def worklist(
        request: Request,
        state: Annotated[str, Query(description=f"One of {', '.join(STATES)}.")] = "",
        patient: Annotated[str, Query(description="The patient's id; without it, every patient's.")] = "",
        since: Annotated[date | None, Query(description="Only those decided on since this day.")] = None,
    ) -> Response:
        """Each with what it lacks, the rules that apply and why, and the version to decide on."""
        ident = checked_id(patient.removeprefix("Patient/")) if patient else ""

        def look(reader: Reader, actor: Actor) -> Any:
            found = billing.worklist(reader, actor, desk.billing, state=state, patient=ident, since=since)
            return {"episodes": [brief(case) for case in found], "states": STATES, "note": DECIDES}

        return await desk.show(request, look)

    @router.get(
        _BASE + "/{episode}",
        summary="One episode for billing: checklist, candidate lines, decisions.",
        operation_id="billing-episode",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def read_one(request: Request, episode: Ident) -> Response:
        """Each item points at what proves it; each candidate says why it fits or not. Nothing is chosen here."""
        ident = checked_id(episode)

        def look(reader: Reader, actor: Actor) -> Any:
            case = billing.look_at(reader, actor, desk.billing, ident)
            return full(case, billing.charges_of(reader, case))

        return await desk.show(request, look)


def _confirming(router: APIRouter, desk: Desk) -> None:
    @router.post(
        _BASE + "/{episode}/confirmation",
        summary="Confirm an episode, with the lines chosen.",
        operation_id="confirm-for-billing",
        status_code=201,
        response_class=Response,
        openapi_extra=body("BillingConfirmation"),
    )
    async def confirm(request: Request, episode: Ident) -> Response:
        """Refused where anything has changed since it was seen, or somebody else has confirmed it."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Case:
            return billing.confirm(writer, actor, desk.billing, ident, filled(document, ConfirmationForm).made())

        return await desk.decide(request, do, 201)

    @router.post(
        _BASE + "/{episode}/question",
        summary="Return an episode with a question.",
        operation_id="return-with-question",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=body("BillingQuestion"),
    )
    async def ask(request: Request, episode: Ident) -> Response:
        """It stays with the clinician until it is answered."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Case:
            return billing.ask(writer, actor, desk.billing, ident, filled(document, QuestionForm).question)

        return await desk.decide(request, do)

    @router.post(
        _BASE + "/{episode}/answer",
        summary="Answer the question of a biller.",
        operation_id="answer-biller",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=body("BillingAnswer"),
    )
    async def answer_it(request: Request, episode: Ident) -> Response:
        """The episode goes back to the biller. The answer is read by billing staff."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Case:
            return billing.answer(writer, actor, desk.billing, ident, filled(document, AnswerForm).answer)

        return await desk.decide(request, do)


def _reviewing(router: APIRouter, desk: Desk) -> None:
    @router.post(
        _BASE + "/{episode}/keep",
        summary="Let a confirmation stand after a correction.",
        operation_id="keep-confirmation",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=body("BillingReview"),
    )
    async def keep(request: Request, episode: Ident) -> Response:
        """From now on it rests on what is there now."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Case:
            form = filled(document, ReviewForm)
            return billing.keep(writer, actor, desk.billing, ident, form.version, form.reason)

        return await desk.decide(request, do)

    @router.post(
        _BASE + "/{episode}/void",
        summary="Take a confirmation back, with its charges.",
        operation_id="void-confirmation",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=body("BillingReview"),
    )
    async def void(request: Request, episode: Ident) -> Response:
        """They stay, with the reason; what has left is reversed by the next export. It may be confirmed anew."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Case:
            form = filled(document, ReviewForm)
            return billing.void(writer, actor, desk.billing, ident, form.version, form.reason)

        return await desk.decide(request, do)


def _proving(router: APIRouter, desk: Desk) -> None:
    @router.post(
        _BASE + "/{episode}/delivery",
        summary="Write down that an orthosis was handed over.",
        operation_id="record-delivery",
        status_code=201,
        response_class=Response,
        openapi_extra=body("BillingDelivery"),
    )
    async def deliver(request: Request, episode: Ident) -> Response:
        """Who received it, how they are related to the patient, and whether they signed."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Case:
            given = filled(document, DeliveryForm).made()
            return billing_evidence.record_delivery(writer, actor, desk.billing, ident, given)

        return await desk.decide(request, do, 201)

    @router.post(
        _BASE + "/{episode}/statements",
        summary="Write down what a named person states, and the document it stands in.",
        operation_id="record-billing-statement",
        status_code=201,
        response_class=Response,
        openapi_extra=body("BillingStatement"),
    )
    async def state(request: Request, episode: Ident) -> Response:
        """The signature under an order, a plan of care, instructions, a need, or a change in condition."""
        ident = checked_id(episode)

        def do(writer: Writer, actor: Actor, document: text.Json) -> Case:
            require_operation(actor, "billing-evidence")  # before anybody is looked up by identifier
            with of_body():
                given, by = filled(document, StatementForm).made(writer)
            return billing_evidence.record_statement(writer, actor, desk.billing, ident, given, by)

        return await desk.decide(request, do, 201)
