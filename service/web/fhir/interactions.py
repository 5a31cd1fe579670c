"""The table of what `/fhir` offers: from it come the routes and their description in the OpenAPI document."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from itertools import groupby
from operator import attrgetter

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

Endpoint = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One header, query or path parameter of an interaction, as OpenAPI names it.

    `place` is header, query or path; a `free` one stands for any parameters under names of their own.
    """

    name: str
    place: str
    meaning: str
    example: str = ""
    free: bool = False


@dataclass(frozen=True, slots=True)
class Interaction:
    """One thing a client may do.

    `path` is below the base, with `{type}`, `{id}` and `{version}`; `takes` names what is sent (`resource`, `bundle`,
    `form`), `gives` the schema of what comes back; `answers` holds the statuses and what each means.
    """

    name: str
    method: str
    path: str
    endpoint: Endpoint
    summary: str
    answers: dict[int, str]
    meaning: str = ""
    takes: str = ""
    gives: str = "Resource"
    parameters: tuple[Parameter, ...] = field(default=())


def routes(base: str, interactions: Iterable[Interaction]) -> list[Route]:
    """One route for each path, so that a method not offered there is answered with all that are."""
    by_path = attrgetter("path")
    grouped = groupby(sorted(interactions, key=_most_literal_first), key=by_path)
    made = []
    for path, group in grouped:
        endpoints = {each.method: each.endpoint for each in group}
        made += [_route(base + each, endpoints) for each in ((path,) if path else ("", "/"))]
    return made


def _most_literal_first(interaction: Interaction) -> tuple[int, list[str]]:
    """`/{type}/_history` before `/{type}/{id}`: the first route that fits an address answers it."""
    return interaction.path.count("{"), interaction.path.split("/")[::-1]


def _route(path: str, endpoints: dict[str, Endpoint]) -> Route:
    async def answer(request: Request) -> Response:
        request.scope["pattern"] = path
        method = "GET" if request.method == "HEAD" else request.method
        return await endpoints[method](request)

    return Route(path, answer, methods=list(endpoints))  # HEAD comes with GET, without being asked for
