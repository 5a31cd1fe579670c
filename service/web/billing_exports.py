"""Handing confirmed charges over, as CSV and as a FHIR Bundle."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from service.domain.actor import Actor
from service.domain.billing.rule_sets import DECIDES
from service.fhir import text
from service.storage.records import Reader
from service.usecases.billing_export import Export, export, exports, find_export
from service.web.billing_desk import Desk, form_asked
from service.web.fhir.answers import answer
from service.web.fhir.requests import actor_of, checked_id, only_form

Ident = Annotated[str, Path(description="The export's id.")]
_ANSWERS: dict[int | str, dict[str, Any]] = {200: {"description": DECIDES, "content": {"application/json": {}}}}


def _told(given: Export) -> dict[str, Any]:
    return {
        "id": given.id,
        "at": given.at.isoformat(),
        "charges": given.charges,
        "reversals": given.reversals,
        "csv": f"/billing/exports/{given.id}/csv",
        "bundle": f"/billing/exports/{given.id}/bundle",
        "note": DECIDES,
    }


def exporting(router: APIRouter, desk: Desk) -> None:
    """Add the routes below `/billing/exports`."""

    @router.post(
        "/billing/exports",
        summary="Hand over every confirmed charge that has not left, and what is to be reversed.",
        operation_id="export-charges",
        status_code=201,
        response_class=Response,
    )
    async def make(request: Request) -> Response:
        """Each line leaves once; what needs review stays."""
        form, actor = form_asked(request), actor_of(request)

        def job() -> dict[str, Any]:
            with desk.work.records.write(actor) as writer:
                return _told(export(writer, actor, desk.billing))

        found = await desk.work.change(job)
        return answer(text.dump(found), form, 201, {"location": f"/billing/exports/{found['id']}"})

    @router.get(
        "/billing/exports",
        summary="Exports of charges, newest first.",
        operation_id="list-exports",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def list_them(request: Request) -> Response:
        """Id and time of each."""

        def look(reader: Reader, actor: Actor) -> Any:
            found = exports(reader, actor)
            return {"exports": [{"id": ident, "at": at.isoformat()} for ident, at in found], "note": DECIDES}

        return await desk.show(request, look)

    _given(router, desk)


def _given(router: APIRouter, desk: Desk) -> None:
    @router.get(
        "/billing/exports/{export}",
        summary="One export.",
        operation_id="read-export",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def read_export(request: Request, export: Ident) -> Response:
        """When it was made, and how many lines it has."""
        return await desk.show(request, lambda r, actor: _told(find_export(r, actor, checked_id(export))))

    @router.get(
        "/billing/exports/{export}/csv",
        summary="An export as CSV.",
        operation_id="export-as-csv",
        response_class=Response,
        responses={200: {"description": DECIDES, "content": {"text/csv": {}}}},
    )
    async def as_csv(request: Request, export: Ident) -> Response:
        """The same bytes each time. Cells that a spreadsheet would take for a formula begin with an apostrophe."""
        found = await _found(request, desk, export)
        return _file(found.csv, "text/csv; charset=utf-8", f"charges-{found.id}.csv")

    @router.get(
        "/billing/exports/{export}/bundle",
        summary="An export as a FHIR Bundle of ChargeItems.",
        operation_id="export-as-bundle",
        response_class=Response,
        responses={200: {"description": DECIDES, "content": {"application/fhir+json": {}}}},
    )
    async def as_bundle(request: Request, export: Ident) -> Response:
        """The same bytes each time. A reversal is a ChargeItem that was aborted, with the reason."""
        found = await _found(request, desk, export)
        return _file(found.bundle, "application/fhir+json; charset=utf-8", f"charges-{found.id}.json")


async def _found(request: Request, desk: Desk, export: str) -> Export:
    only_form(request)
    actor, ident = actor_of(request), checked_id(export)
    return await desk.work.read(lambda reader: find_export(reader, actor, ident))


def _file(content: bytes, media_type: str, name: str) -> Response:
    disposition = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, headers=disposition, media_type=media_type)
