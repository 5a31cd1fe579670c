"""The indices of one patient's hands, as plain JSON, and as derived Observations for other programs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response

from service.domain.background import Background
from service.domain.metric import Parameters, Result
from service.domain.metrics import METRICS
from service.domain.norms import NORMS
from service.domain.result_json import plain
from service.errors import Issue, Malformed
from service.fhir import text
from service.fhir.given import as_malformed
from service.fhir.text import Json
from service.storage.records import Reader
from service.usecases.metrics import Computed, derive, metrics_of, metrics_of_visit, store_derived
from service.usecases.resources import Written
from service.web.fhir.answers import answer
from service.web.fhir.interactions import Interaction
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import (
    Form,
    actor_of,
    base_url,
    checked_id,
    form_of,
    id_in,
    only_form,
    pairs_of,
    preferences_of,
    refuse_unknown,
)
from service.web.work import Work

PatientId = Annotated[str, Path(description="The patient's id.")]
EncounterId = Annotated[str, Path(description="The id of the visit's Encounter.")]
MetricName = Annotated[str, Path(description="The name of a metric, as `total-active-motion`.")]
Hyperextension = Annotated[
    str, Query(description="`ignore` lets hyperextension count nothing, `deficit` counts it at PIP and DIP joints.")
]
Norm = Annotated[str, Query(description="The table of a norm: " + ", ".join(NORMS) + ".")]
Memory = Annotated[
    str, Query(description="`true` shows grades and scores whose tables are from memory, not verified in print.")
]
_CONTENT: dict[str, Any] = {"application/json": {"schema": {"$ref": "#/components/schemas/Metrics"}}}
_ANSWERS: dict[int | str, dict[str, Any]] = {200: {"description": "The results.", "content": _CONTENT}}

METRICS_SCHEMA: dict[str, Any] = {
    "type": "object",
    "description": (
        "Results of metrics. Each has its value or the reason why it has none, the readings it rests on with their"
        " versions, its formula with version and source, its measurement error where one is published, and the results"
        " it is made of, the precautions in force at its place, and the time since injury and operation."
    ),
    "properties": {
        "subject": {"type": "string", "description": "The patient."},
        "parameters": {"type": "object", "description": "What the formulas leave open, as it was chosen here."},
        "results": {"type": "array", "items": {"type": "object"}, "description": "By metric, then by time."},
        "not_used": {"type": "object", "description": "Observations that could not be used, by reason."},
        "formulas": {"type": "object", "description": "Formula, version and source of each metric in the results."},
    },
}


def metrics_router(work: Work) -> APIRouter:
    """The routes of metrics below `/patients` and `/encounters`."""
    router = APIRouter(tags=["Patients"])

    async def told(request: Request, job: Callable[[Reader, Parameters], Computed]) -> Response:
        form, parameters = _asked(request)
        with as_malformed():
            computed = await work.read(lambda reader: job(reader, parameters))
        return answer(text.dump(_told(computed)), replace(form, content_type=PLAIN_JSON))

    @router.get(
        "/patients/{patient}/metrics",
        summary="Every index that a patient's readings give.",
        operation_id="patient-metrics",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def of_patient(
        request: Request, patient: PatientId, hyperextension: Hyperextension = "ignore", norm: Norm = "",
        include_from_memory: Memory = "false",
    ) -> Response:  # fmt: skip
        """What cannot be told is an object with a reason. The numbers inform; they prescribe nothing."""
        actor, ident = actor_of(request), checked_id(patient)
        return await told(request, lambda reader, asked: metrics_of(reader, actor, ident, parameters=asked))

    @router.get(
        "/patients/{patient}/metrics/{name}",
        summary="One index of a patient, at every visit.",
        operation_id="patient-metric",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def of_name(
        request: Request, patient: PatientId, name: MetricName, hyperextension: Hyperextension = "ignore",
        norm: Norm = "", include_from_memory: Memory = "false",
    ) -> Response:  # fmt: skip
        """As all of them, for one metric by its name."""
        actor, ident = actor_of(request), checked_id(patient)
        return await told(request, lambda reader, asked: metrics_of(reader, actor, ident, name, asked))

    @router.get(
        "/encounters/{encounter}/metrics",
        summary="Every index of one visit.",
        operation_id="encounter-metrics",
        response_class=Response,
        responses=_ANSWERS,
    )
    async def of_visit(
        request: Request, encounter: EncounterId, hyperextension: Hyperextension = "ignore", norm: Norm = "",
        include_from_memory: Memory = "false",
    ) -> Response:  # fmt: skip
        """The other hand, where it is the reference, may have been measured at another visit: the result says so."""
        actor, ident = actor_of(request), checked_id(encounter)
        return await told(request, lambda reader, asked: metrics_of_visit(reader, actor, ident, asked))

    return router


def _asked(request: Request) -> tuple[Form, Parameters]:
    """The parameters in the query; raises `Malformed` for one that is not known or has no such answer."""
    form, rest = form_of(request, pairs_of(request.scope["query_string"]))
    choices = {"hyperextension": ("ignore", "deficit"), "norm": tuple(NORMS), "include_from_memory": ("true", "false")}
    refuse_unknown([pair for pair in rest if pair[0] not in choices], preferences_of(request))
    given = {name: value for name, value in rest if name in choices}
    for name, value in given.items():
        if value not in choices[name]:
            expected = "one of " + ", ".join(choices[name])
            message = f"'{value}' is not an answer to '{name}'."
            raise Malformed(Issue("invalid", message, f"http.{name}", value, expected=expected))
    return form, Parameters(
        hyperextension="deficit" if given.get("hyperextension") == "deficit" else "ignore",
        norm=given.get("norm", ""),
        include_from_memory=given.get("include_from_memory") == "true",
    )


def _told(computed: Computed) -> dict[str, Any]:
    used = dict.fromkeys(result.metric for result in computed.results)
    formulas = {
        name: {"version": m.version, "title": m.title, "formula": m.formula, "source": plain(m.source)}
        for name in used
        for m in [METRICS[name]]
    }
    asked = computed.parameters
    parameters = {
        "hyperextension": asked.hyperextension,
        "reference_for": sorted(asked.reference_for),
        "dominant": asked.dominant or "unknown",
        "touch_scheme": asked.touch_scheme,
        "norm": asked.norm or "none",
        "include_from_memory": asked.include_from_memory,
    }
    return {
        "subject": computed.subject,
        "parameters": parameters,
        "results": [_result(result, computed.background) for result in computed.results],
        "not_used": plain(computed.not_used),
        "formulas": formulas,
    }


def _result(result: Result, background: Background) -> dict[str, Any]:
    """A result, with the precautions in force at its place and how long after injury and operation it was taken."""
    return {
        **plain(result),
        "precautions": plain(background.precautions_at(result.site)),
        "elapsed": plain(background.elapsed_at(result.site, result.taken.date())),
    }


def derive_interactions(work: Work) -> tuple[Interaction, ...]:
    """The operation `$derive` on a patient: by GET what would be stored, by POST the same, stored."""

    async def shown(request: Request) -> Response:
        form, actor, ident = only_form(request), actor_of(request), id_in(request)
        base = base_url(request)
        found = await work.read(lambda reader: derive(reader, actor, ident))
        entries = [{"fullUrl": f"{base}/Observation/{each['id']}", "resource": each} for each in found]
        return answer(text.dump(_bundle(entries)), form)

    async def stored(request: Request) -> Response:
        form, actor, ident = only_form(request), actor_of(request), id_in(request)
        base = base_url(request)

        def job() -> list[Written]:
            with work.records.write(actor) as writer:
                return store_derived(writer, actor, ident)

        written = await work.change(job)
        entries = [{"fullUrl": f"{base}/{w.stored.reference}", "resource": w.stored.resource} for w in written]
        return answer(text.dump(_bundle(entries)), form)

    path = "/Patient/{id}/$derive"
    return (
        Interaction(
            "derive",
            "GET",
            path,
            shown,
            "Results computed from a patient's readings, as Observations that are not stored.",
            {200: "A collection of Observations of category `derived`, each with `derivedFrom`."},
            "Grades and scores whose tables are from memory, and what rests on a table of norms, are not among them.",
            gives="Bundle",
        ),
        Interaction(
            "store-derived",
            "POST",
            path,
            stored,
            "Store the results computed from a patient's readings, with one Provenance for all that changed.",
            {200: "A collection of the Observations as stored, those that follow from nothing any more as errors."},
            "The same again makes no new version. A result whose readings changed gets a new version.",
            gives="Bundle",
        ),
    )


def _bundle(entries: list[Json]) -> Json:
    return {"resourceType": "Bundle", "type": "collection", **({"entry": entries} if entries else {})}
