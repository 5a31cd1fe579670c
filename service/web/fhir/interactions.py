"""The table of what `/fhir` offers: from it come the routes and their description in the OpenAPI document."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from itertools import groupby
from operator import attrgetter

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.errors import Issue, NotFound
from service.fhir.operations import operations_of

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


async def _unknown_operation(request: Request) -> Response:
    """Refuse an operation that there is not, and say which there are. Raises `NotFound`."""
    pattern: str = request.scope["pattern"]
    name, level = request.path_params["operation"], "instance" if "{id}" in pattern else "type"
    kind = request.path_params.get("type", "Patient" if "/Patient/" in pattern else "")
    offered = [f"${one.name}" for one in operations_of(kind) if level in one.levels]
    at = "the whole record" if not kind else f"the type {kind}" if level == "type" else f"a resource of the type {kind}"
    message = f"There is no operation '${name}' on {at}."
    expected = ", ".join(offered) or "no operation"
    raise NotFound(Issue("not-supported", message, "http.url", f"${name}", "operation", expected))


_UNKNOWN = tuple(
    Interaction("unknown-operation", method, path, _unknown_operation, "", {})
    for method in ("GET", "POST")
    for path in ("/${operation}", "/{type}/${operation}", "/{type}/{id}/${operation}", "/Patient/{id}/${operation}")
)


def routes(base: str, interactions: Iterable[Interaction]) -> list[Route]:
    """One route for each path, so that a method not offered there is answered with all that are.

    Operations that there are not have routes of their own, which say so.
    """
    interactions = (*interactions, *_UNKNOWN)
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
