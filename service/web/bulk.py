"""Bulk Data exports over HTTP (https://hl7.org/fhir/uv/bulkdata/, 3.0.0): asking, waiting, fetching, giving up.

The files are written by another process (`export_work`), so that an export takes no time from whoever works here.
"""

from __future__ import annotations

from email.utils import format_datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from starlette.responses import FileResponse

from service.errors import Issue, Malformed, RecordError
from service.fhir import text
from service.fhir.search_dates import moment
from service.fhir.text import Json
from service.settings import Settings
from service.storage.export_jobs import FAILED, File
from service.usecases import exports
from service.usecases.export_input import GROUP, NDJSON, PATIENT, SYSTEM, pairs_in, read_wish
from service.usecases.exports import Progress
from service.usecases.permissions import require_exporter
from service.web.errors import error_response
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import BASE, Pairs, actor_of, base_url, checked_id, pairs_of, preferences_of
from service.web.fhir.writing import body_of
from service.web.work import Work

TAG = "Bulk export"
_ASYNC = "respond-async"
_LONGEST = 30
"""Seconds, at most, that somebody who waits is asked to wait before asking again."""


def bulk_router(work: Work, settings: Settings) -> APIRouter:
    """The routes `$export`, `/exports/{export}` and `/exports/{export}/{name}`."""
    router = APIRouter(tags=[TAG])
    for level, path, what in _LEVELS:
        _add_start(router, work, level, path, what)
    _add_status(router, work, settings)
    _add_files(router, work, settings)
    return router


_LEVELS = (
    (SYSTEM, "/fhir/$export", "Export the whole record."),
    (PATIENT, "/fhir/Patient/$export", "Export the record of every patient."),
    (GROUP, "/fhir/Group/{group}/$export", "Export the record of the patients in a Group."),
)
_PARAMETERS = {
    "_type": "Types that are wanted; several, separated by commas.",
    "_since": "Only what was changed after this moment: the transactionTime of the export before.",
    "_until": "The record as it was at this moment.",
    "_typeFilter": "A search that resources of its type meet, as `Observation?status=final`; of several, one.",
    "_elements": "Elements that are wanted of each resource.",
    "_outputFormat": "`application/fhir+ndjson`, also where it is not given.",
    "patient": "Patients that are wanted, of an export of patients.",
}


def _add_start(router: APIRouter, work: Work, level: str, path: str, what: str) -> None:
    name = f"export{'-' * bool(level)}{level.lower()}"
    query = [
        {"name": each, "in": "query", "description": means, "schema": {"type": "string"}}
        for each, means in _PARAMETERS.items()
        if level or each != "patient"
    ]
    prefer = {"name": "Prefer", "in": "header", "schema": {"type": "string"}, "required": True, "example": _ASYNC}
    place = [{"name": "group", "in": "path", "required": True, "schema": {"type": "string"}}] if level == GROUP else []
    body = {"content": {"application/fhir+json": {"schema": {"type": "object"}}}, "required": True}
    says: Any = {
        "status_code": 202,
        "response_class": Response,
        "summary": what,
        "responses": {202: {"description": "It has begun; `Content-Location` is where to ask how far it is."}},
    }

    async def begin(request: Request, pairs: Pairs) -> Response:
        actor, lenient = actor_of(request), preferences_of(request).lenient
        group = checked_id(request.path_params["group"]) if level == GROUP else ""
        wish, address = read_wish(level, pairs, lenient=lenient), _address(request)

        def job() -> str:
            with work.records.write(actor) as writer:
                return exports.start(writer, actor, wish, group, address)

        ident = await work.change(job)
        return Response(status_code=202, headers={"content-location": f"{_base(request)}/exports/{ident}"})

    @router.get(path, operation_id=name, openapi_extra={"parameters": [*place, *query, prefer]}, **says)
    async def by_get(request: Request) -> Response:
        require_exporter(actor_of(request))
        _require_async(request)
        return await begin(request, pairs_of(request.scope["query_string"]))

    @router.post(
        path,
        operation_id=f"{name}-by-post",
        openapi_extra={"parameters": [*place, prefer], "requestBody": body},
        **says,
    )
    async def by_post(request: Request) -> Response:
        require_exporter(actor_of(request))
        _require_async(request)
        sent = pairs_in(text.parse(await body_of(request)))
        return await begin(request, [*pairs_of(request.scope["query_string"]), *sent])


ExportId = Annotated[str, Path(description="Id of the export.")]


def _add_status(router: APIRouter, work: Work, settings: Settings) -> None:
    says: Any = {"response_class": Response}
    answers: Any = {
        200: {"description": "It is complete: the manifest.", "content": {PLAIN_JSON: {"schema": {"type": "object"}}}},
        202: {"description": "Not yet: `X-Progress` says how far it is, `Retry-After` when to ask again, in seconds."},
    }

    @router.get("/exports/{export}", summary="How far an export is.", operation_id="export-status", **says,
                responses=answers)  # fmt: skip
    async def status(request: Request, export: ExportId) -> Response:
        actor = actor_of(request)
        found = await work.read(lambda reader: exports.progress(reader, actor, export, settings.export_hours))
        if found.state == FAILED:
            return error_response(RecordError(Issue("exception", f"The export was not finished. {found.told}")))
        if not found.done:
            return Response(status_code=202, headers=_waiting(found))
        needs_token: bool = request.app.state.needs_token
        body = manifest(found, _base(request), needs_token=needs_token)
        return Response(text.dump(body), headers=_expires(found), media_type=PLAIN_JSON)

    @router.delete("/exports/{export}", summary="Give an export up, or say that it has been fetched.",
                   operation_id="end-export", status_code=202, **says)  # fmt: skip
    async def end(request: Request, export: ExportId) -> Response:
        """Its files are removed."""
        actor = actor_of(request)

        def job() -> None:
            with work.records.write(actor) as writer:
                exports.give_up(writer, actor, export, settings.export_hours)

        await work.change(job)
        return Response(status_code=202)


def _add_files(router: APIRouter, work: Work, settings: Settings) -> None:
    content: Any = {200: {"description": "The lines.", "content": {NDJSON: {"schema": {"type": "string"}}}}}

    @router.get("/exports/{export}/{name}", summary="One file of an export.", operation_id="export-file",
                response_class=Response, responses=content)  # fmt: skip
    async def file(request: Request, export: ExportId, name: Annotated[str, Path(description="Its name.")]) -> Response:
        actor = actor_of(request)
        folder, hours = settings.export_folder, settings.export_hours
        path = await work.read(lambda reader: exports.file_of(reader, actor, export, name, folder, hours))
        return FileResponse(path, media_type=NDJSON)


def manifest(found: Progress, base: str, *, needs_token: bool) -> Json:
    """What a complete export consists of, in the words of the guide."""

    def listed(deleted: bool) -> list[Json]:
        files = (each for each in found.files if each.deleted == deleted)
        return [_listed(each, f"{base}/exports/{found.id}/{each.name}") for each in files]

    return {
        "transactionTime": moment(found.job.moment).isoformat(timespec="microseconds").replace("+00:00", "Z"),
        "request": found.job.request,
        "requiresAccessToken": needs_token,
        "output": listed(False),
        "deleted": listed(True),
        "error": [],
    }


def _listed(file: File, url: str) -> Json:
    return {"type": "Bundle" if file.deleted else file.type, "url": url, "count": file.lines}


def _waiting(found: Progress) -> dict[str, str]:
    lines = sum(each.lines for each in found.files)
    told = f"{lines} lines in {len(found.files)} files" if found.files else "not yet begun"
    return {"x-progress": told, "retry-after": str(min(_LONGEST, 1 + len(found.files)))}


def _expires(found: Progress) -> dict[str, str]:
    return {"expires": format_datetime(found.until, usegmt=True)} if found.until else {}


def _require_async(request: Request) -> None:
    asked = {part.strip().lower() for each in request.headers.getlist("prefer") for part in each.split(",")}
    if not any(each.partition(";")[0].strip() == _ASYNC for each in asked):
        message = "An export is answered later, not at once; the request has to say that it knows."
        raise Malformed(Issue("required", message, "http.Prefer", rule="bulk-data", expected=f"Prefer: {_ASYNC}"))


def _base(request: Request) -> str:
    return base_url(request).removesuffix(BASE)


def _address(request: Request) -> str:
    """The address that was asked, as others see it."""
    query = request.scope["query_string"].decode("latin-1")
    return f"{_base(request)}{request.url.path}{'?' * bool(query)}{query}"
