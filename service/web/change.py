"""Is it working, over HTTP: change, trend and phases of one patient, as plain JSON."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response

from service.domain.actor import Actor
from service.domain.change.verdict import BASELINES
from service.domain.result_json import plain
from service.errors import Issue, Malformed
from service.fhir import text
from service.settings import Settings
from service.storage.records import Reader
from service.usecases.change import Asked, Told, patient_change, patient_phases, patient_trend
from service.usecases.change_clinic import ChangeRules, change_rules_of
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import PLAIN_JSON
from service.web.fhir.requests import actor_of, checked_id, form_of, pairs_of, preferences_of, refuse_unknown
from service.web.work import Work

CAUTION = (
    "The numbers inform; they prescribe nothing. What happened during a phase is not thereby its effect. The treating "
    "clinician, local protocol and licensed practice decide."
)
PatientId = Annotated[str, Path(description="The patient's id.")]
Measure = Annotated[
    str, Query(description="One measure: its name, the code of a reading, or the name of a kind. Empty: all.")
]
Site = Annotated[str, Query(description="One site, as `right-index-pip` or `index-pip`. Empty: all.")]
Until = Annotated[str, Query(description="The last day looked at. Empty: today.")]
Series = Annotated[str, Query(description="`together` makes casts of one series one phase; else each is one.")]
Baseline = Annotated[str, Query(description="; ".join(f"`{name}`: {words}" for name, words in BASELINES.items()))]
Job = Callable[[Reader, Actor, str, Asked, ChangeRules, date], Told]

CHANGE_SCHEMA: dict[str, Any] = {
    "type": "object",
    "description": (
        "What is told of one patient's course. Every measure has its points with the readings they rest on and what"
        " changed around them, its published error or none, and what was left out with the reason. What cannot be told"
        " is an object with `absent` and `reason`."
    ),
    "properties": {
        "subject": {"type": "string", "description": "The patient."},
        "precautions": {"type": "array", "items": {"type": "object"}, "description": "Precautions in force."},
        "not_used": {"type": "object", "description": "Observations that could not be used, by reason."},
        "answer": {"description": "The changes, the trends, or the phases that were asked for."},
        "caution": {"type": "string", "description": "What these numbers are not."},
    },
}


DESCRIBED: dict[str, Any] = {
    "response_class": Response,
    "responses": {
        200: {
            "description": "The answer.",
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/PatientChange"}}},
        }
    },
}
"""What every route that tells of one patient's course has in its description."""


def teller(work: Work, settings: Settings) -> Callable[[Request, str, tuple[str, ...], Job], Awaitable[Response]]:
    """What answers a request about a patient's course, by the parameters it knows, with what a use case tells."""
    rules, zone = change_rules_of(settings.change_file), settings.zone_info or UTC

    async def told(request: Request, patient: str, known: tuple[str, ...], job: Job) -> Response:
        form, rest = form_of(request, pairs_of(request.scope["query_string"]))
        refuse_unknown([pair for pair in rest if pair[0] not in known], preferences_of(request))
        asked = asked_of(dict(pair for pair in rest if pair[0] in known))
        actor, ident, today = actor_of(request), checked_id(patient), datetime.now(UTC).astimezone(zone).date()
        found = await work.read(lambda reader: job(reader, actor, ident, asked, rules, today))
        return answer(text.dump({**plain(found), "caution": CAUTION}), replace(form, content_type=PLAIN_JSON))

    return told


def change_router(work: Work, settings: Settings) -> APIRouter:
    """The routes of change below `/patients`."""
    router = APIRouter(prefix="/patients/{patient}", tags=["Patients"])
    described, told = DESCRIBED, teller(work, settings)

    @router.get(
        "/change",
        summary="How much each measure changed, against its error.",
        operation_id="patient-change",
        **described,
    )
    async def of_change(
        request: Request, patient: PatientId, measure: Measure = "", site: Site = "",
        baseline: Baseline = "first-visit",
        day: Annotated[str, Query(description="The day that `last-visit-before` is about.")] = "", until: Until = "",
    ) -> Response:  # fmt: skip
        """The headline is the measure of a goal on record, else total active motion, never the largest change. Beside
        single verdicts stands how many of how many changed, and how many error alone would show.
        """
        return await told(request, patient, ("measure", "site", "baseline", "day", "until"), patient_change)

    @router.get(
        "/trend", summary="How each measure runs, and where it stands.", operation_id="patient-trend", **described
    )
    async def of_trend(
        request: Request, patient: PatientId, measure: Measure = "", site: Site = "", until: Until = "",
        since: Annotated[str, Query(description="Where the latest visits begin. Empty: with the phase in force.")] = "",
        series: Series = "",
    ) -> Response:  # fmt: skip
        """Gaining, losing, a plateau, at its ceiling, or cannot be told, with the evidence. A plateau is not a failure
        to see a gain: the whole interval of the rate lies within what the clinic calls worthwhile.
        """
        return await told(request, patient, ("measure", "site", "since", "until", "series"), patient_trend)

    @router.get(
        "/phases", summary="Each measure through the phases of treatment.", operation_id="patient-phases", **described
    )
    async def of_phases(
        request: Request, patient: PatientId, measure: Measure = "", site: Site = "", until: Until = "",
        series: Series = "",
    ) -> Response:  # fmt: skip
        """Level, slope, days, visits and dose of each phase; change of level and slope, and non-overlap, from one to
        the next. It says what happened during a phase, never why.
        """
        return await told(request, patient, ("measure", "site", "until", "series"), patient_phases)

    return router


def asked_of(given: dict[str, str]) -> Asked:
    """What the query asks for. Raises `Malformed`."""
    days = {name: _day(name, given.get(name, "")) for name in ("day", "since", "until")}
    series = given.get("series", "")
    if series not in ("", "together"):
        message = f"'{series}' is not an answer to 'series'."
        raise Malformed(Issue("invalid", message, "http.series", series, expected="together, or nothing"))
    return Asked(
        measure=given.get("measure", ""),
        site=given.get("site", ""),
        baseline=given.get("baseline", "") or "first-visit",
        day=days["day"],
        since=days["since"],
        until=days["until"],
        series=series == "together",
    )


def _day(name: str, written: str) -> date | None:
    try:
        return date.fromisoformat(written) if written else None
    except ValueError:
        message = f"'{written}' is not a day."
        raise Malformed(
            Issue("invalid", message, f"http.{name}", written, expected="a day such as 2026-03-02")
        ) from None
