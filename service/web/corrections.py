"""Signing visits, and acts that put right what was wrong."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from service.errors import Gone, Invalid, NotFound
from service.fhir import text
from service.settings import Settings
from service.usecases.acts.deed import Outcome
from service.usecases.acts.forms import FORMS, act_of
from service.usecases.acts.views import outcome_json, signature_json
from service.usecases.signing import Signature, sign_visit
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import BASE, Form, actor_of, checked_id, only_form
from service.web.fhir.writing import body_of
from service.web.form_schema import form_schema
from service.web.work import Work

EXAMPLE: dict[str, Any] = {
    "act": "correct-side",
    "visit": "2b7e1f0c",
    "reason": "The right hand was measured; the left was entered.",
}
"""An invented act, as a dry run."""
_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Act"}, "example": EXAMPLE}},
    }
}
_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {"description": "What the act would change; nothing was changed.", "content": {"application/json": {}}},
    201: {"description": "Carried out, by now safely on disk.", "content": {"application/json": {}}},
}
_SIGNED: dict[int | str, dict[str, Any]] = {
    200: {"description": "What was signed.", "content": {"application/json": {}}}
}


def corrections_router(work: Work, settings: Settings) -> APIRouter:
    """The routes `/acts` and `/visits/{id}/sign`."""
    router = APIRouter(tags=["Corrections"])

    @router.post(
        "/acts",
        summary="Correct a reading, or the side or day of a visit; move entries; merge patients; undo.",
        operation_id="carry-out-act",
        response_class=Response,
        responses=_ANSWERS,
        openapi_extra=_BODY,
    )
    async def act(request: Request) -> Response:
        """Without `seen` it is a dry run: it shows every element that would change, and all that rests on it. Its mark
        `seen`, sent with the same act, carries it out, unless anything of that has changed since.
        """
        form, actor, body = _form(request), actor_of(request), await body_of(request)

        def job() -> Outcome:
            return act_of(text.parse(body)).carried_out(work.records, actor, settings.zone_info)

        with _of_body():
            outcome = await work.change(job)
        headers = {"location": f"{BASE}/Provenance/{outcome.id}"} if outcome.id else {}
        return answer(text.dump(outcome_json(outcome)), form, 201 if outcome.id else 200, headers)

    @router.post(
        "/visits/{visit}/sign",
        summary="Sign a visit: its readings are final from then on.",
        operation_id="sign-visit",
        response_class=Response,
        responses=_SIGNED,
    )
    async def sign(
        request: Request, visit: Annotated[str, Path(description="The id of the visit's Encounter.")]
    ) -> Response:
        """Where a person's entries need another's signature, theirs alone leaves the readings preliminary. Signing
        again when there is nothing to sign changes nothing.
        """
        form, actor, ident = _form(request), actor_of(request), checked_id(visit)

        def job() -> Signature:
            with work.records.write(actor) as writer:
                return sign_visit(writer, actor, ident)

        return answer(text.dump(signature_json(await work.change(job))), form)

    return router


def _form(request: Request) -> Form:
    return replace(only_form(request), content_type=PLAIN_JSON)


@contextmanager
def _of_body() -> Iterator[None]:
    """It is the body that names what is not there, not the address: `NotFound` leaves as `Invalid`."""
    try:
        yield
    except (NotFound, Gone) as error:
        raise Invalid(*error.issues) from error


def act_schemas() -> dict[str, Any]:
    """The schema of an act, with that of each under a name of its own."""
    forms = {_name(name): form_schema(form) for name, form in FORMS.items()}
    return {"Act": {"oneOf": [{"$ref": f"#/components/schemas/{name}"} for name in forms]}, **forms}


def _name(act: str) -> str:
    return "Act" + "".join(word.capitalize() for word in act.split("-"))
