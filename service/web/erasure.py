"""What an administrator does about keeping: erasures, legal holds, what is past its retention period."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from pydantic import Field

from service.domain.result_json import plain
from service.fhir import text
from service.settings import Settings
from service.storage.keeping import Erasure
from service.usecases import legal_holds
from service.usecases.erasure import DUTY, Shown, approve_whole, listed, look
from service.usecases.erasure import ask as ask_for
from service.usecases.erasure import withdraw as take_back
from service.usecases.export_work import tidy
from service.usecases.form import Form, Text, filled
from service.usecases.permissions import require_duty
from service.usecases.retention import past_retention
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import actor_of, only_form
from service.web.fhir.writing import body_of
from service.web.form_schema import form_schema
from service.web.work import Work

TAG = "Keeping"
NOT_PROVEN = (
    "Nobody signs in here: the names of the two persons were stated, not proven. An identity provider proves them."
)


class Wish(Form):
    """What is to be erased, and why."""

    target: Text = Field(description="A resource, or a patient for the whole record.", examples=["Patient/1f0c"])
    reason: Text = Field(description="Why; it names no patient.", examples=["the patient asked for it in writing"])
    by: str = Field("", description="Name of whoever asks, where nobody signs in.")


class Approval(Form):
    """The second person's word."""

    seen: Text = Field(description="What the erasure showed as `scope.seen`.")
    by: str = Field("", description="Name of whoever approves, where nobody signs in.")


class Decision(Form):
    """Who takes a request back."""

    by: str = Field("", description="Name of whoever decides, where nobody signs in.")


class HoldForm(Form):
    """Whose record is held, and why."""

    patient: Text = Field(description="The patient.", examples=["Patient/1f0c"])
    reason: Text = Field(description="Why.", examples=["a court asked that nothing be changed"])


def erasure_router(work: Work, settings: Settings) -> APIRouter:
    """The routes `/erasures`, `/legal-holds` and `/retention`."""
    router = APIRouter(tags=[TAG])
    _add_looks(router, work, settings)
    _add_erasures(router, work, settings)
    _add_holds(router, work)
    return router


def _add_looks(router: APIRouter, work: Work, settings: Settings) -> None:
    @router.get("/erasures", **_shown("Every erasure that was asked for, the last first.", "erasures"))
    async def every(request: Request) -> Response:
        actor = actor_of(request)
        found = await work.read(lambda reader: listed(reader, actor))
        return _answer(request, {"erasures": [as_json(one) for one in found]})

    @router.get("/erasures/{erasure}", **_shown("One erasure: what it would take, or took.", "erasure"))
    async def one(request: Request, erasure: _Ident) -> Response:
        """Counts and ids, never content; and the backups, releases and exports that hold any of it."""
        actor = actor_of(request)
        found = await work.read(lambda reader: look(reader, actor, erasure))
        return _answer(request, shown_json(found))

    @router.get("/legal-holds", **_shown("Every legal hold, the last first.", "legal-holds"))
    async def held(request: Request) -> Response:
        actor = actor_of(request)
        found = await work.read(lambda reader: legal_holds.holds(reader, actor))
        return _answer(request, {"legal_holds": plain(found)})

    @router.get("/retention", **_shown("What is past its retention period, longest first.", "retention"))
    async def past(request: Request) -> Response:
        """Counted from the day on which the patient was last seen. Nothing is erased by itself."""
        actor, today = actor_of(request), datetime.now(settings.zone_info or UTC).date()
        years = settings.retention_years
        found = await work.read(lambda reader: past_retention(reader, actor, years, today))
        return _answer(request, {"years": dict(years), "past": plain(found)})


def _add_erasures(router: APIRouter, work: Work, settings: Settings) -> None:
    @router.post("/erasures", status_code=201, **_taken("Ask for an erasure; nothing is erased yet.", "ask", Wish))
    async def ask(request: Request) -> Response:
        """Answers what would go. A second person looks at it and approves."""
        actor, body = actor_of(request), await body_of(request)

        def job() -> Shown:
            require_duty(actor, DUTY)
            wish = filled(text.parse(body), Wish)
            with work.records.write(actor) as writer:
                return ask_for(writer, actor, wish.target, wish.reason, by=wish.by)

        return _answer(request, shown_json(await work.change(job)), 201)

    @router.post("/erasures/{erasure}/approve", **_taken("Approve an erasure: it is erased.", "approve", Approval))
    async def approve(request: Request, erasure: _Ident) -> Response:
        """By another person than who asked, with what was seen. Cannot be taken back."""
        actor, body = actor_of(request), await body_of(request)

        def job() -> Shown:
            require_duty(actor, DUTY)
            form = filled(text.parse(body), Approval)
            shown = approve_whole(work.records, actor, erasure, form.seen, by=form.by, ledger=settings.erasure_ledger)
            tidy(work.records, settings.export_folder, settings.export_hours)
            return shown

        return _answer(request, shown_json(await work.change(job)))

    @router.post("/erasures/{erasure}/withdraw", **_taken("Take a request back, or refuse it.", "withdraw", Decision))
    async def withdraw(request: Request, erasure: _Ident) -> Response:
        actor, body = actor_of(request), await body_of(request)

        def job() -> Erasure:
            require_duty(actor, DUTY)
            form = filled(text.parse(body), Decision)
            with work.records.write(actor) as writer:
                return take_back(writer, actor, erasure, by=form.by)

        return _answer(request, as_json(await work.change(job)))


def _add_holds(router: APIRouter, work: Work) -> None:
    @router.post("/legal-holds", status_code=201, **_taken("Put a legal hold on a patient's record.", "hold", HoldForm))
    async def place(request: Request) -> Response:
        """Nothing of the record is erased or deleted until it is lifted."""
        actor, body = actor_of(request), await body_of(request)

        def job() -> Any:
            require_duty(actor, legal_holds.DUTY)
            form = filled(text.parse(body), HoldForm)
            with work.records.write(actor) as writer:
                return legal_holds.place_hold(writer, actor, form.patient, form.reason)

        return _answer(request, plain(await work.change(job)), 201)

    @router.post("/legal-holds/{hold}/lift", **_shown("Lift a legal hold.", "lift-legal-hold"))
    async def lift(request: Request, hold: _Ident) -> Response:
        actor = actor_of(request)

        def job() -> Any:
            with work.records.write(actor) as writer:
                return legal_holds.lift_hold(writer, actor, hold)

        return _answer(request, plain(await work.change(job)))


_Ident = Annotated[str, Path(description="Its id.")]


def as_json(one: Erasure) -> dict[str, Any]:
    """An erasure as plain values."""
    return {**plain(one), "target": "/".join(one.target)}


def shown_json(found: Shown) -> dict[str, Any]:
    """An erasure with what it takes and where it still is, as plain values."""
    told = {
        "erasure": as_json(found.erasure),
        "scope": plain(found.scope),
        "backups": plain(found.backups),
        "releases_and_exports": [f"{one.kind} {one.id}" for one in found.left],
    }
    return told if found.proven else {**told, "note": NOT_PROVEN}


def _answer(request: Request, found: Any, status: int = 200) -> Response:
    made = answer(text.dump(found), replace(only_form(request), content_type=PLAIN_JSON))
    made.status_code = status
    return made


def _shown(summary: str, name: str) -> dict[str, Any]:
    content = {"application/json": {"schema": {"type": "object"}}}
    responses = {200: {"description": "What was asked for.", "content": content}}
    return {"summary": summary, "operation_id": name, "response_class": Response, "responses": responses}


def _taken(summary: str, name: str, form: type[Form]) -> dict[str, Any]:
    body = {"required": True, "content": {"application/json": {"schema": form_schema(form)}}}
    return {
        "summary": summary, "operation_id": f"keeping-{name}", "response_class": Response,
        "openapi_extra": {"requestBody": body},
    }  # fmt: skip
