"""Search, by GET and by POST."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from urllib.parse import quote, urlencode

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue, NotFound
from service.fhir import bundle, definition_search, search_parameters, text
from service.fhir.compartment import of_patient
from service.fhir.definitions import DEFINITION_TYPES, SERVED_TYPES
from service.fhir.given import as_malformed
from service.fhir.search_parameters import Query
from service.fhir.search_query import Choice, Moment
from service.settings import Settings
from service.storage.records import Page
from service.usecases import resources
from service.web.errors import outcome
from service.web.fhir.answers import answer
from service.web.fhir.negotiation import FHIR_JSON, require_form
from service.web.fhir.requests import (
    Form,
    Pairs,
    actor_of,
    base_url,
    form_and_view_of,
    id_in,
    pairs_of,
    preferences_of,
    type_in,
)
from service.web.work import Work


class Searching:
    """The handlers that answer with a set of matches."""

    def __init__(self, work: Work, settings: Settings) -> None:
        self._work = work
        self._zone = settings.zone_info

    async def by_get(self, request: Request) -> Response:
        """The matches of the query in the address."""
        return await self._search(request, [])

    async def by_post(self, request: Request) -> Response:
        """The matches of the query in the form that was sent, and in the address."""
        require_form(request.headers.get("content-type"), request.headers.get("content-encoding"))
        return await self._search(request, pairs_of(await request.body(), "the form"))

    async def in_compartment(self, request: Request) -> Response:
        """The matches of the query in the address among what belongs to one patient."""
        ident, kind = id_in(request), request.path_params["target"]
        if kind not in SERVED_TYPES or not of_patient(kind, ident):
            raise NotFound(Issue("not-supported", f"A patient's record holds no resources of a type '{kind}'."))
        return await self._search(request, [], kind, ident)

    async def _search(self, request: Request, sent: Pairs, kind: str = "", patient: str = "") -> Response:
        if request.path_params.get("type") in DEFINITION_TYPES:
            return self._definitions(request, sent)
        kind, actor, base = kind or type_in(request), actor_of(request), base_url(request)
        form, pairs = form_and_view_of(request, kind, [*pairs_of(request.scope["query_string"]), *sent])
        lenient = preferences_of(request).lenient
        with as_malformed():
            query = search_parameters.parse(kind, pairs, lenient=lenient, zone=self._zone, base=base)
            if patient:
                query = replace(query, among=of_patient(kind, patient))
            ask = self._work.look_up if _is_narrow(query) else self._work.read
            page = await ask(lambda reader: resources.search(reader, actor, query))
        path = f"{base}/Patient/{patient}/{kind}" if patient else f"{base}/{kind}"
        return answer(searchset(query, page, base, path, form), form)

    def _definitions(self, request: Request, sent: Pairs) -> Response:
        """The matches among the definitions published here, which are the same for everybody."""
        kind, base = request.path_params["type"], base_url(request)
        form, pairs = form_and_view_of(request, kind, [*pairs_of(request.scope["query_string"]), *sent])
        with as_malformed():
            lenient = preferences_of(request).lenient
            query = search_parameters.parse(kind, pairs, lenient=lenient, zone=self._zone, base=base)
            found, total, following = definition_search.found(query)
        matches = tuple(_Definition(kind, str(each["id"]), text.dump(each)) for each in found)
        page = _Definitions(matches, total, following or None)
        return answer(searchset(query, page, base, f"{base}/{kind}", form), form)


@dataclass(frozen=True, slots=True)
class _Definition:
    """A definition as a document."""

    type: str
    id: str
    body: bytes


@dataclass(frozen=True, slots=True)
class _Definitions:
    """A page of definitions."""

    matches: tuple[_Definition, ...]
    total: int | None
    next: str | None
    included: tuple[_Definition, ...] = ()


def _is_narrow(query: Query) -> bool:
    """Whether a page takes a few seeks at most: readings of patients by their id, told apart by code and date."""
    plain = all(
        clause.parameter.name in _NARROW
        and clause.missing is None
        and not clause.negated
        and all(isinstance(choice, Choice | Moment) for choice in clause.choices)
        for clause in query.clauses
    )
    of_patients = any(
        clause.parameter.name in ("patient", "subject") and all(_names_one(choice) for choice in clause.choices)
        for clause in query.clauses
    )
    small = query.count <= _SMALL_PAGE and query.sort in ("", "date") and not query.then
    whole = query.total or query.includes or query.among or query.within
    return query.type == "Observation" and plain and of_patients and small and not whole


def _names_one(choice: object) -> bool:
    return isinstance(choice, Choice) and bool(choice.value)


_NARROW = frozenset({"patient", "subject", "code", "date", "category"})
_SMALL_PAGE = 100


def searchset(query: Query, page: Page | _Definitions, base: str, path: str, form: Form | None = None) -> bytes:
    """A page of matches of a search at `path` as a Bundle; its links keep to the form."""
    form = form or Form(FHIR_JSON)
    pairs = [*_honoured(query), *form.kept]
    following = [*pairs, ("_cursor", page.next)] if page.next else []
    links = bundle.Links(address(path, pairs), address(path, following) if following else "")
    passed_over = outcome(_passed_over(name) for name, _ in query.ignored) if query.ignored else None
    matches: Iterable[bundle.Document] = page.matches
    if not form.view.is_whole:
        matches = [replace(one, body=form.view.of(one.body)) for one in page.matches]
    return bundle.searchset(
        matches, base=base, links=links, total=page.total, outcome=passed_over, included=page.included
    )


def _honoured(query: Query) -> Pairs:
    """The parameters as they were acted on: a page is never larger than the record's largest."""
    return [(name, str(query.count) if name == "_count" else value) for name, value in query.used]


def address(path: str, pairs: Pairs) -> str:
    """An address with these parameters in its query."""
    return f"{path}?{urlencode(pairs, safe=':/,', quote_via=quote)}" if pairs else path


def _passed_over(name: str) -> Issue:
    message = f"The parameter '{name}' is not known here and was passed over."
    return Issue("not-supported", message, f"http.{name}", severity="warning")
