"""The versions of a resource, newest first."""

from __future__ import annotations

import re
from http import HTTPStatus

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue, Malformed
from service.fhir import bundle
from service.fhir.search_parameters import LARGEST_PAGE, PAGE
from service.usecases import resources
from service.web.fhir.answers import answer, phrase
from service.web.fhir.requests import (
    Form,
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


class History:
    """The handler of `_history`."""

    def __init__(self, work: Work) -> None:
        self._work = work

    async def of_instance(self, request: Request) -> Response:
        """The versions of one resource, a page at a time."""
        kind, ident, base, actor = type_in(request), id_in(request), base_url(request), actor_of(request)
        form, pairs = form_of(request, pairs_of(request.scope["query_string"]))
        refuse_unknown([pair for pair in pairs if pair[0] not in ("_count", "_cursor")], preferences_of(request))
        asked = dict(pairs)
        count = min(_number("_count", asked.get("_count", str(PAGE))), LARGEST_PAGE)
        before = _number("_cursor", asked["_cursor"]) if "_cursor" in asked else None
        found = await self._work.read(
            lambda reader: resources.history(reader, actor, kind, ident, count=count + 1, before=before)
        )
        versions, more = found[:count], len(found) > count > 0
        links = _links(
            f"{base}/{kind}/{ident}/_history", [("_count", str(count))], form, versions[-1].version if more else 0
        )
        return answer(bundle.history(versions, base=base, links=links, status=status_when_made), form)


def _links(path: str, pairs: Pairs, form: Form, last: int) -> bundle.Links:
    pairs = [*pairs, *form.kept]
    return bundle.Links(address(path, pairs), address(path, [*pairs, ("_cursor", str(last))]) if last else "")


def status_when_made(version: bundle.Version) -> str:
    """What was answered when this version was made."""
    return phrase(_MADE_BY[version.method])


def _number(name: str, written: str) -> int:
    if not re.fullmatch("[0-9]{1,9}", written):
        message = f"The parameter '{name}' needs a whole number."
        raise Malformed(Issue("invalid", message, f"http.{name}", written, expected=f"0 to {LARGEST_PAGE}"))
    return int(written)
