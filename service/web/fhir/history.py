"""Versions, newest first: of a resource, of a type, of the record."""

from __future__ import annotations

import re
from collections.abc import Callable
from http import HTTPStatus

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue, Malformed
from service.fhir import bundle
from service.fhir.search_dates import interval
from service.fhir.search_parameters import LARGEST_PAGE, PAGE, Interval
from service.settings import Settings
from service.storage.changes import Changes, Mark, Span
from service.storage.records import Reader
from service.usecases import histories
from service.web.fhir.answers import answer, phrase
from service.web.fhir.requests import (
    Pairs,
    actor_of,
    base_url,
    form_of,
    id_in,
    pairs_of,
    preferences_of,
    refuse_unknown,
    type_in,
)
from service.web.fhir.searching import address
from service.web.work import Work

_MADE_BY = {"create": HTTPStatus.CREATED, "update": HTTPStatus.OK, "delete": HTTPStatus.NO_CONTENT}
_PARAMETERS = ("_since", "_at", "_count", "_cursor")


class History:
    """The handlers of `_history`."""

    def __init__(self, work: Work, settings: Settings) -> None:
        self._work = work
        self._zone = settings.zone_info

    async def of_instance(self, request: Request) -> Response:
        """The versions of one resource, a page at a time."""
        kind, ident, actor = type_in(request), id_in(request), actor_of(request)
        return await self._page(
            request, f"/{kind}/{ident}",
            lambda reader, *asked: histories.of_instance(reader, actor, kind, ident, *asked),
        )  # fmt: skip

    async def of_type(self, request: Request) -> Response:
        """The versions of all resources of a type."""
        kind, actor = type_in(request), actor_of(request)
        return await self._page(
            request, f"/{kind}", lambda reader, *asked: histories.of_type(reader, actor, kind, *asked)
        )

    async def of_record(self, request: Request) -> Response:
        """The versions of everything that the person may see."""
        actor = actor_of(request)
        return await self._page(request, "", lambda reader, *asked: histories.of_record(reader, actor, *asked))

    async def _page(
        self, request: Request, path: str, listed: Callable[[Reader, Span, int, Mark | None], Changes]
    ) -> Response:
        base = base_url(request)
        form, pairs = form_of(request, pairs_of(request.scope["query_string"]))
        refuse_unknown([pair for pair in pairs if pair[0] not in _PARAMETERS], preferences_of(request))
        asked = dict(pairs)
        count = min(_number("_count", asked.get("_count", str(PAGE))), LARGEST_PAGE)
        span, behind = self._span(asked), _mark(asked.get("_cursor", ""))
        found = await self._work.read(lambda reader: listed(reader, span, count, behind))
        kept = [("_count", str(count)), *((name, asked[name]) for name in ("_since", "_at") if name in asked)]
        links = _links(f"{base}{path}/_history", [*kept, *form.kept], found.next)
        return answer(bundle.history(found.versions, base=base, links=links, status=status_when_made), form)

    def _span(self, asked: dict[str, str]) -> Span:
        since = self._interval("_since", asked["_since"]).lo if "_since" in asked else None
        return Span(since, self._interval("_at", asked["_at"]) if "_at" in asked else None)

    def _interval(self, name: str, written: str) -> Interval:
        try:
            # A plus sign that nobody escaped arrives as a space.
            return interval(re.sub(r" (?=[0-9]{2}:[0-9]{2}$)", "+", written), self._zone)
        except ValueError as problem:
            message = f"The parameter '{name}' needs a moment; this one {problem}."
            raise Malformed(Issue("invalid", message, f"http.{name}", written)) from None


def _links(path: str, pairs: Pairs, following: Mark | None) -> bundle.Links:
    cursor = f"{following.updated}.{following.pk}.{following.version}" if following else ""
    return bundle.Links(address(path, pairs), address(path, [*pairs, ("_cursor", cursor)]) if cursor else "")


def status_when_made(version: bundle.Version) -> str:
    """What was answered when this version was made."""
    return phrase(_MADE_BY[version.method])


def _mark(cursor: str) -> Mark | None:
    if not cursor:
        return None
    match = re.fullmatch(r"([0-9]{1,18})\.([0-9]{1,18})\.([0-9]{1,9})", cursor)
    if match is None:
        message = "This is no cursor of a history; follow the link to the next page as it was given."
        raise Malformed(Issue("invalid", message, "http._cursor", cursor))
    return Mark(*map(int, match.groups()))


def _number(name: str, written: str) -> int:
    if not re.fullmatch("[0-9]{1,9}", written):
        message = f"The parameter '{name}' needs a whole number."
        raise Malformed(Issue("invalid", message, f"http.{name}", written, expected=f"0 to {LARGEST_PAGE}"))
    return int(written)
