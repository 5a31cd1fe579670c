"""Studies, cohorts and releases over HTTP, and views over a release: what a researcher works with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from pydantic import Field

from service.domain.result_json import plain
from service.domain.study import Study
from service.errors import Malformed
from service.exchange.views.codebook import codebook
from service.exchange.views.runnable import Runnable
from service.exchange.views.shipped import tables
from service.fhir import text
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.usecases import cohorts, releases, studies
from service.usecases.form import Form, Text, filled
from service.usecases.permissions import require_duty
from service.usecases.study_input import StudyForm
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import actor_of, only_form, pairs_of
from service.web.fhir.writing import body_of
from service.web.form_schema import form_schema
from service.web.view_request import Asked, read_request
from service.web.views import RUN_BODY, chosen_format, streamed, write_rows
from service.web.work import Work

TAG = "Research"


class Criterion(Form):
    """One thing that the patients of a cohort have in common."""

    name: Text = Field(description="A search parameter of Patient.", examples=["gender", "_has:Condition:patient:code"])
    value: Text


class CohortForm(Form):
    """Which patients are meant."""

    criteria: list[Criterion]

    @property
    def pairs(self) -> list[tuple[str, str]]:
        """As the use cases take them."""
        return [(each.name, each.value) for each in self.criteria]


class ReleaseForm(Form):
    """Which release is wanted."""

    cohort: Text = Field(description="Id of the Group that keeps the cohort.")
    as_of: int = Field(0, ge=0, description="A transaction that an earlier release names; 0: now.")
    answered: str = Field("", description="An officer's reason for letting small classes leave.")


def research_router(work: Work) -> APIRouter:
    """The routes `/studies` and `/releases`."""
    router = APIRouter(tags=[TAG])
    _add_studies(router, work)
    _add_cohorts(router, work)
    _add_releases(router, work)
    _add_reading(router, work)
    return router


StudyId = Annotated[str, Path(description="Id of the study.")]
ReleaseId = Annotated[str, Path(description="Id of the release.")]


def _add_studies(router: APIRouter, work: Work) -> None:
    @router.get("/studies", **_shown("The studies that you may use.", "list-studies"))
    async def every(request: Request) -> Response:
        actor = actor_of(request)
        found = await work.read(lambda reader: studies.studies(reader, actor))
        return _answer(request, {"studies": plain(found)})

    @router.post("/studies", status_code=201, **_taken("Open a study.", "open-study", StudyForm))
    async def start(request: Request) -> Response:
        """An administrator opens it, for the researchers it names."""
        actor = actor_of(request)
        made = await _changed(
            work,
            request,
            studies.OPENING,
            StudyForm,
            lambda writer, form: studies.open_study(writer, actor, form.made(actor)),
        )
        return _answer(request, plain(made), 201)

    @router.post("/studies/{study}/close", **_shown("Close a study: nothing more leaves for it.", "close-study"))
    async def close(request: Request, study: StudyId) -> Response:
        actor = actor_of(request)

        def job() -> Study:
            with work.records.write(actor) as writer:
                return studies.close_study(writer, actor, study)

        return _answer(request, plain(await work.change(job)))


def _add_cohorts(router: APIRouter, work: Work) -> None:
    @router.post("/studies/{study}/counts", **_taken("Count the patients that fit.", "count-cohort", CohortForm))
    async def count(request: Request, study: StudyId) -> Response:
        """`count` is null where there are some, but fewer than the study's `k`. Every count is written down."""
        actor = actor_of(request)
        made = await _changed(
            work,
            request,
            studies.RESEARCH,
            CohortForm,
            lambda writer, form: cohorts.count(writer, actor, study, form.pairs),
        )
        return _answer(request, plain(made))

    @router.post(
        "/studies/{study}/cohorts", status_code=201, **_taken("Keep a cohort as a Group.", "define-cohort", CohortForm)
    )
    async def define(request: Request, study: StudyId) -> Response:
        """Its members are those who fit now; nothing of them is told but how many they are."""
        actor = actor_of(request)
        made = await _changed(
            work,
            request,
            studies.RESEARCH,
            CohortForm,
            lambda writer, form: cohorts.define(writer, actor, study, form.pairs),
        )
        return _answer(request, {"cohort": made.id, "quantity": made.resource["quantity"]}, 201)


def _add_releases(router: APIRouter, work: Work) -> None:
    @router.get("/studies/{study}/releases", **_shown("The releases of a study.", "list-releases"))
    async def every(request: Request, study: StudyId) -> Response:
        actor = actor_of(request)
        found = await work.read(lambda reader: releases.releases_of(reader, actor, study))
        return _answer(request, {"releases": [{"id": each.id, **each.manifest} for each in found]})

    @router.post("/studies/{study}/releases", status_code=201, **_taken("Make a release.", "make-release", ReleaseForm))
    async def make(request: Request, study: StudyId) -> Response:
        """The cohort's record, de-identified as the study's profile says, kept so that it can be had again. Refused
        where a class of the study's quasi-identifiers is too small, unless an officer answers for it.
        """
        actor = actor_of(request)
        made = await _changed(
            work, request, studies.RESEARCH, ReleaseForm,
            lambda writer, form: releases.make_release(writer, actor, study, releases.Wish(**form.model_dump())),
        )  # fmt: skip
        return _answer(request, {"id": made.id, **made.manifest}, 201)


def _add_reading(router: APIRouter, work: Work) -> None:
    @router.get("/releases/{release}", **_shown("What a release holds, and what it was made from.", "read-release"))
    async def one(request: Request, release: ReleaseId) -> Response:
        actor = actor_of(request)
        found = await work.read(lambda reader: releases.release_of(reader, actor, release))
        return _answer(request, {"id": found.id, **found.manifest})

    @router.get("/releases/{release}/corrections", **_shown("What of a release was changed since.", "list-corrections"))
    async def corrections(request: Request, release: ReleaseId) -> Response:
        actor = actor_of(request)
        found = await work.read(lambda reader: releases.corrections_of(reader, actor, release))
        return _answer(request, {"changed": found})

    @router.get(
        "/releases/{release}/files/{name}", **_shown("One file of a release, byte for byte.", "read-release-file")
    )
    async def file(
        request: Request, release: ReleaseId, name: Annotated[str, Path(description="Its name.")]
    ) -> Response:
        actor = actor_of(request)
        body = await work.read(lambda reader: releases.file_of(reader, actor, release, name))
        return Response(body, media_type="application/fhir+ndjson")

    @router.get("/releases/{release}/tables/{name}", **_shown("A shipped table, of a release.", "release-table"))
    async def table(
        request: Request, release: ReleaseId, name: Annotated[str, Path(description="Its name.")]
    ) -> Response:
        """In the format of the Accept header: NDJSON, JSON, CSV or Parquet."""
        require_duty(actor_of(request), studies.RESEARCH)
        asked = read_request(_NOTHING, [*pairs_of(request.scope["query_string"]), ("viewReference", name)])
        return await _run(work, request, release, asked)

    @router.post(
        "/releases/{release}/$viewdefinition-run",
        **_shown("Run a view over a release.", "run-release-view"),
        openapi_extra=RUN_BODY,
    )
    async def run(request: Request, release: ReleaseId) -> Response:
        """As `/fhir/$viewdefinition-run`, over what left for the study instead of the record."""
        require_duty(actor_of(request), studies.RESEARCH)
        asked = read_request(text.parse(await body_of(request)), pairs_of(request.scope["query_string"]))
        return await _run(work, request, release, asked)

    @router.get("/releases/{release}/codebook", **_shown("The codebook of the shipped tables.", "release-codebook"))
    async def explained(request: Request, release: ReleaseId) -> Response:
        actor = actor_of(request)
        await work.read(lambda reader: releases.release_of(reader, actor, release))
        return _answer(request, codebook(tables().values()))


_NOTHING: Json = {"resourceType": "Parameters", "parameter": []}


async def _run(work: Work, request: Request, release: str, asked: Asked) -> Response:
    if asked.resources is not None or asked.patients or asked.groups or asked.since:
        raise Malformed("A view over a release runs over all of it: resource, patient, group and _since are not asked.")
    actor, chosen = actor_of(request), chosen_format(request, asked)

    def job(reader: Reader) -> Any:
        runnable = Runnable.of(asked.table or asked.definition)
        return write_rows(asked, runnable, chosen, releases.resources_of(reader, actor, release, runnable.kind))

    return streamed(await work.read(job), chosen)


async def _changed(work: Work, request: Request, duty: str, form: type[Any], act: Callable[[Writer, Any], Any]) -> Any:
    """What an act makes of the form that was sent, in one transaction."""
    actor, body = actor_of(request), await body_of(request)

    def job() -> Any:
        require_duty(actor, duty)
        given = filled(text.parse(body), form)
        with work.records.write(actor) as writer:
            return act(writer, given)

    return await work.change(job)


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
    return {**_shown(summary, name), "openapi_extra": {"requestBody": body}}
