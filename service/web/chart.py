"""A patient's course as a picture over HTTP: a specification, an SVG or PNG of it, or a page with its table."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response

from service.domain.change.chart import COLUMNS
from service.errors import Issue, NotAcceptable
from service.fhir import text
from service.settings import Settings
from service.storage.records import Reader
from service.usecases.change_clinic import change_rules_of
from service.usecases.chart import Charted, patient_chart
from service.web.change import asked_of
from service.web.fhir.requests import actor_of, checked_id, pairs_of, preferences_of, refuse_unknown
from service.web.html import Html, element, page
from service.web.work import Work

VEGA_LITE = "application/vnd.vegalite.v5+json"
_TYPES = (VEGA_LITE, "application/json", "image/svg+xml", "image/png", "text/html")
_KNOWN = ("measure", "site", "until", "series")


def chart_router(work: Work, settings: Settings) -> APIRouter:
    """The route `/patients/{patient}/chart`."""
    router = APIRouter(prefix="/patients/{patient}", tags=["Patients"])
    rules, zone = change_rules_of(settings.change_file), settings.zone_info or UTC
    content: dict[str, Any] = {name: {"schema": {"type": "string"}} for name in _TYPES[2:]}
    content |= {name: {"schema": {"type": "object"}} for name in _TYPES[:2]}

    @router.get(
        "/chart",
        summary="Measures over time, with the orthoses worn beneath.",
        operation_id="patient-chart",
        response_class=Response,
        responses={200: {"description": "The picture.", "content": content}},
    )
    async def chart(
        request: Request, patient: Annotated[str, Path(description="The patient's id.")],
        measure: Annotated[str, Query(description="One measure. Empty: those of goals, or total active motion.")] = "",
        site: Annotated[str, Query(description="One site, as `right-index-pip`.")] = "",
        until: Annotated[str, Query(description="The last day looked at. Empty: today.")] = "",
        series: Annotated[str, Query(description="`together` makes casts of one series one band.")] = "",
    ) -> Response:  # fmt: skip
        """By the Accept header: a Vega-Lite specification (its `usermeta` holds the table of the same values), an SVG
        or PNG of it, or a page with picture and table. Bars are 1.96 standard errors either way; a measure without a
        published error says so.
        """
        wanted = _wanted(request.headers.get("accept", ""))
        pairs = pairs_of(request.scope["query_string"])
        refuse_unknown([pair for pair in pairs if pair[0] not in _KNOWN], preferences_of(request))
        asked, actor, ident = asked_of(dict(pairs)), actor_of(request), checked_id(patient)
        today = datetime.now(UTC).astimezone(zone).date()

        def job(reader: Reader) -> bytes:
            return _written(patient_chart(reader, actor, ident, asked, rules, today), wanted)

        return Response(await work.read(job), media_type=wanted)

    return router


def _wanted(accept: str) -> str:
    """The first of the types asked for that is written here. Raises `NotAcceptable`."""
    asked = [part.partition(";")[0].strip().lower() for part in accept.split(",")] if accept.strip() else ["*/*"]
    for name in asked:
        if name in _TYPES:
            return name
        if name in ("*/*", "application/*"):
            return VEGA_LITE
    message = "A chart is not written in this format."
    raise NotAcceptable(Issue("not-supported", message, "http.Accept", accept, expected=", ".join(_TYPES)))


def _written(found: Charted, wanted: str) -> bytes:
    specification = text.dump(found.specification)
    if wanted in (VEGA_LITE, "application/json"):
        return specification
    drawer = _drawer()
    if wanted == "image/png":
        return bytes(drawer.vegalite_to_png(specification.decode(), scale=2))
    svg = str(drawer.vegalite_to_svg(specification.decode()))
    return svg.encode() if wanted == "image/svg+xml" else _page(found, svg).encode()


def _drawer() -> Any:
    """What draws a specification. Raises `NotAcceptable` where the extra `charts` is not installed."""
    try:
        import vl_convert
    except ImportError:
        message = "Pictures are not drawn here: the extra `charts` is not installed. The specification can be had."
        raise NotAcceptable(Issue("not-supported", message, "http.Accept", expected=VEGA_LITE)) from None
    return vl_convert


def _page(found: Charted, svg: str) -> str:
    meta = found.specification["usermeta"]
    head = element("tr", *(element("th", name, scope="col") for name in COLUMNS))
    rows = [element("tr", *(element("td", _cell(row[name])) for name in COLUMNS)) for row in meta["table"]]
    picture = element("figure", Html(svg), element("figcaption", found.specification["description"]))
    table = element("table", element("thead", head), element("tbody", *rows))
    content = element("main", element("h1", "Course"), picture, table, element("p", meta["caution"]), id="content")
    return page("Course", content, stylesheet="/record.css")


def _cell(value: object) -> str:
    return "" if value is None else str(value)
