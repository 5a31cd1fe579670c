"""Operations: `$everything`, `$lastn` and `$validate`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from service.errors import Issue, Malformed
from service.fhir import text
from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_parameters import Query, parse
from service.settings import Settings
from service.usecases import operations
from service.web.errors import outcome
from service.web.fhir.answers import answer
from service.web.fhir.requests import (
    Pairs,
    actor_of,
    as_malformed,
    base_url,
    checked_id,
    form_and_view_of,
    form_of,
    id_in,
    pairs_of,
    preferences_of,
    refuse_unknown,
    type_in,
)
from service.web.fhir.searching import searchset
from service.web.fhir.writing import body_of
from service.web.work import Work

_PAGING = ("_count", "_cursor")
_MODES = ("create", "update", "profile")


class Operations:
    """The handlers of operations."""

    def __init__(self, work: Work, settings: Settings) -> None:
        self._work = work
        self._zone = settings.zone_info

    async def everything(self, request: Request) -> Response:
        """All that belongs to one patient, a page at a time."""
        ident, actor, base = id_in(request), actor_of(request), base_url(request)
        form, pairs = form_of(request, pairs_of(request.scope["query_string"]))
        known = [pair for pair in pairs if pair[0] in ("_type", "_since", *_PAGING)]
        refuse_unknown([pair for pair in pairs if pair not in known], preferences_of(request))
        kinds = [kind for name, value in known if name == "_type" for kind in value.split(",")]
        if any(kind not in SERVED_TYPES for kind in kinds):
            raise Malformed(Issue("invalid", "There is no such type here.", "http._type", ",".join(kinds)))
        with as_malformed():
            since = [("_lastUpdated", f"ge{value}") for name, value in known if name == "_since"]
            clauses = parse("Patient", since, zone=self._zone).clauses
            query = parse("Patient", [pair for pair in known if pair[0] in _PAGING])
            query = replace(query, used=tuple(pair for pair in known if pair[0] != "_cursor"))
            page = await self._work.read(
                lambda reader: operations.everything(reader, actor, ident, kinds, clauses, query)
            )
        return answer(searchset(query, page, base, f"{base}/Patient/{ident}/$everything", form), form)

    async def latest(self, request: Request) -> Response:
        """The latest Observations of each code."""
        actor, base = actor_of(request), base_url(request)
        form, pairs = form_and_view_of(request, "Observation", pairs_of(request.scope["query_string"]))
        asked = dict(pairs)
        most = _most(asked.get("max", "1"))
        for name in ("_sort", "_count", "_cursor", "_total", "_include", "_revinclude"):
            if name in asked:
                raise Malformed(Issue("not-supported", f"'{name}' is not taken by $lastn.", f"http.{name}"))
        searched: Pairs = [pair for pair in pairs if pair[0] != "max"]
        with as_malformed():
            query: Query = parse(
                "Observation", searched, lenient=preferences_of(request).lenient, zone=self._zone, base=base
            )
            page = await self._work.read(lambda reader: operations.latest(reader, actor, query, most))
        shown = replace(query, used=(*query.used, ("max", str(most))))
        return answer(searchset(shown, page, base, f"{base}/Observation/$lastn", form), form)

    async def validate(self, request: Request) -> Response:
        """Whether a resource could be stored here, and what should be known of it."""
        kind = type_in(request)
        ident = checked_id(request.path_params["id"]) if "id" in request.path_params else ""
        form, pairs = form_of(request, pairs_of(request.scope["query_string"]))
        refuse_unknown([pair for pair in pairs if pair[0] not in ("mode", "profile")], preferences_of(request))
        sent = text.parse(await body_of(request))
        resource, parameters = _sent(sent)
        asked = [*pairs, *parameters]
        modes = [value for name, value in asked if name == "mode"]
        if any(mode not in _MODES for mode in modes):
            raise Malformed(Issue("not-supported", "Validation is not done for this.", "mode", expected=str(_MODES)))
        issues = list(operations.verdict_on(resource, kind, [value for name, value in asked if name == "profile"]))
        if ident and resource.get("id", ident) != ident:
            issues.append(Issue("invalid", "The resource has another id than the address.", f"{kind}.id"))
        if not issues:
            issues = [Issue("informational", f"This is a valid {kind}.", severity="information")]
        return answer(text.dump(outcome(issues)), form)


def _most(written: str) -> int:
    if not re.fullmatch("[1-9][0-9]{0,2}", written) or int(written) > operations.MOST_LATEST:
        message, expected = "The parameter 'max' needs a whole number.", f"1 to {operations.MOST_LATEST}"
        raise Malformed(Issue("invalid", message, "http.max", written, expected=expected))
    return int(written)


def _sent(body: text.Json) -> tuple[text.Json, Sequence[tuple[str, str]]]:
    """The resource, and what is asked of it: it comes alone, or in a Parameters resource with that."""
    if body.get("resourceType") != "Parameters":
        return body, ()
    listed: Any = body.get("parameter")
    parts = [part for part in listed if isinstance(part, dict)] if isinstance(listed, list) else []
    resource = next((part.get("resource") for part in parts if part.get("name") == "resource"), None)
    if not isinstance(resource, dict):
        raise Malformed(Issue("required", "The Parameters hold no resource to validate.", "Parameters.parameter"))
    named = [
        (str(part.get("name")), part.get(key)) for part in parts for key in ("valueCode", "valueUri", "valueCanonical")
    ]
    return resource, [(name, value) for name, value in named if isinstance(value, str)]
