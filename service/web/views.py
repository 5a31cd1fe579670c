"""Flat tables over HTTP: the shipped tables and their codebook, and `$viewdefinition-run` of SQL on FHIR v2.

The operation runs in the specification's R4 mode: at the system's level, the view in `viewResource` or named by
`viewReference` (https://sql-on-fhir.org).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from tempfile import SpooledTemporaryFile
from typing import IO, Annotated

from fastapi import APIRouter, Path, Request, Response
from starlette.responses import StreamingResponse

from service.errors import NotAcceptable
from service.exchange.views.codebook import codebook
from service.exchange.views.formats import FORMATS, Format, format_of
from service.exchange.views.runnable import Runnable
from service.exchange.views.shipped import find_table, tables
from service.fhir import text
from service.fhir.text import Json
from service.storage.records import Reader
from service.usecases.views import Selection, permitted, run
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import Form, actor_of, pairs_of
from service.web.fhir.writing import body_of
from service.web.view_request import Asked, read_request
from service.web.work import Work

_IN_MEMORY = 4 * 1024 * 1024
_PIECE = 256 * 1024
TableName = Annotated[str, Path(description="The name of a table, as `grip-strength`.", examples=["grip-strength"])]
_EXAMPLE: Json = {
    "resourceType": "Parameters",
    "parameter": [
        {"name": "viewReference", "valueReference": {"reference": "ViewDefinition/grip-strength"}},
        {"name": "_format", "valueCode": "csv"},
    ],
}
_SCHEMA: Json = {
    "type": "object",
    "description": (
        "Parameters: `viewResource` or `viewReference`, and, as wanted, `_format` (ndjson, json, csv, parquet), "
        "`header`, `patient`, `group`, `_since`, `_limit`, and `resource` for resources to run over instead of those "
        "of the record."
    ),
    "required": ["resourceType", "parameter"],
    "properties": {
        "resourceType": {"const": "Parameters"},
        "parameter": {"type": "array", "items": {"type": "object"}, "description": "The parameters, each with `name`."},
    },
}

RUN_BODY: Json = {
    "requestBody": {
        "required": True,
        "content": {"application/fhir+json": {"schema": _SCHEMA, "example": _EXAMPLE}},
    }
}
"""What the OpenAPI document says of the request of `$viewdefinition-run`."""


def views_router(work: Work) -> APIRouter:
    """The routes `/fhir/$viewdefinition-run`, `/views`, `/views/{name}` and `/views/{name}/codebook`."""
    router = APIRouter(tags=["Tables"])
    _describe_tables(router)
    written = {form.media_type.partition(";")[0]: {"schema": {"type": "string"}} for form in FORMATS.values()}

    @router.post(
        "/fhir/$viewdefinition-run",
        summary="Run a view over the record, or over resources that are sent along.",
        operation_id="run-view",
        response_class=Response,
        responses={200: {"description": "The rows, in the format asked for.", "content": written}},
        openapi_extra=RUN_BODY,
    )
    async def run_view(request: Request) -> Response:
        """What is shown is identified: it is for those who may read the record of every patient. The answer is whole,
        or it is an error with the place in the ViewDefinition or the name of the parameter.
        """
        asked = read_request(text.parse(await body_of(request)), pairs_of(request.scope["query_string"]))
        actor, chosen = actor_of(request), chosen_format(request, asked)

        def job(reader: Reader) -> IO[bytes]:
            runnable = Runnable.of(asked.table or asked.definition)
            if asked.resources is not None:
                given = asked.resources
                return permitted(actor, lambda: write_rows(asked, runnable, chosen, given))
            wanted = Selection(runnable.kind, asked.patients, asked.groups, asked.since, runnable.narrowing)
            return run(reader, actor, wanted, lambda found: write_rows(asked, runnable, chosen, found))

        return streamed(await work.read(job), chosen)

    return router


def _describe_tables(router: APIRouter) -> None:
    json = Form(PLAIN_JSON)

    @router.get("/views", summary="The tables that are shipped.", operation_id="list-views", response_class=Response)
    async def listed() -> Response:
        """Each with its name, what it is, and the address of its ViewDefinition."""
        found = [
            {"name": each.name, "title": each.title, "description": each.description, "definition": each.url}
            for each in tables().values()
        ]
        return answer(text.dump({"views": found}), json)

    @router.get(
        "/views/{name}",
        summary="The ViewDefinition of a table (SQL on FHIR v2).",
        operation_id="read-view",
        response_class=Response,
    )
    async def one(name: TableName) -> Response:
        """It can be run here or by any other runner of the specification."""
        return answer(text.dump(find_table(name).definition()), json)

    @router.get(
        "/views/{name}/codebook",
        summary="The codebook of a table.",
        operation_id="read-codebook",
        response_class=Response,
    )
    async def explained(name: TableName) -> Response:
        """Each column with its meaning, unit, coding, what an empty cell says, and its formula where it has one."""
        return answer(text.dump(codebook([find_table(name)])), json)


def chosen_format(request: Request, asked: Asked) -> Format:
    """The format that is asked for, or that the Accept header asks for, where it names one of rows; else the usual."""
    if asked.format:
        return format_of(asked.format)
    for part in request.headers.get("accept", "").split(","):
        try:
            return format_of(part)
        except NotAcceptable:
            continue  # the header may name types of FHIR, which an operation's outcome has
    return FORMATS["ndjson"]


def write_rows(asked: Asked, runnable: Runnable, chosen: Format, resources: Iterable[Json]) -> IO[bytes]:
    """The rows in a file of their own, rewound: in memory as long as they are few."""
    rows = islice(runnable.rows(resources), asked.limit)
    file: IO[bytes] = SpooledTemporaryFile(_IN_MEMORY)  # noqa: SIM115 - closed once it has been sent
    try:
        file.writelines(chosen.write(runnable.columns, rows, asked.header))
    except BaseException:
        file.close()
        raise
    file.seek(0)
    return file


def streamed(file: IO[bytes], chosen: Format) -> Response:
    """An answer that sends a file, and closes it."""

    def pieces() -> Iterator[bytes]:
        with file:
            while piece := file.read(_PIECE):
                yield piece

    return StreamingResponse(pieces(), media_type=chosen.media_type)
