"""Who each request acts for, decided before anything else looks at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

from anyio import to_thread
from starlette.types import ASGIApp, Receive, Scope, Send

from service.domain.actor import LOCAL, Actor
from service.errors import Invalid, NotIdentified, RecordError, TooMany
from service.usecases.permissions import require_reason
from service.web.errors import error_response
from service.web.identity.bearer import Bearer, token_in
from service.web.rate_limit import RateLimit

EMERGENCY_HEADER = b"handrecord-emergency"
"""The header that holds the reason for reading in an emergency."""

OPEN = frozenset({
    "/health", "/docs", "/record.css", "/openapi.json", "/token", "/fhir/metadata", "/.well-known/smart-configuration",
    "/fhir/.well-known/smart-configuration",
})  # fmt: skip
"""Answered without a token: nothing of the record is there."""

CHALLENGE = 'Bearer realm="handrecord"'


class Identity:
    """ASGI middleware: puts the acting person into `scope["actor"]`, or refuses with 401 or 429.

    Without `bearer`, the acting person is the local user. The `limit` counts by person once a token has held before,
    else by address: strangers' tokens cannot use up what belongs to those who are known.
    """

    def __init__(self, app: ASGIApp, bearer: Bearer | None, limit: RateLimit) -> None:
        self.app, self._bearer, self._limit = app, bearer, limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        try:
            scope["actor"] = await self._actor(scope)
        except RecordError as error:
            await error_response(error, _headers(error))(scope, receive, send)
            return
        await self.app(scope, receive, send)

    async def _actor(self, scope: Scope) -> Actor | None:
        source = scope["client"][0] if scope.get("client") else ""
        if self._bearer is None:
            self._limit.take(source)
            return _local(source)
        if scope["path"] in OPEN:
            self._limit.take(source)
            return None
        actor = await self._identified(self._bearer, scope, source)
        return replace(actor, source=source, emergency=_emergency(scope))

    async def _identified(self, bearer: Bearer, scope: Scope, source: str) -> Actor:
        try:
            token = token_in(scope["headers"])
            actor = bearer.known(token)
        except NotIdentified:
            self._limit.take(source)
            raise
        if actor is not None:
            self._limit.take(f"{actor.client}/{actor.id}")
            return actor
        self._limit.take(source)
        identify: Callable[[str], Actor] = bearer.identify
        return await to_thread.run_sync(identify, token)


@lru_cache(maxsize=64)
def _local(source: str) -> Actor:
    return replace(LOCAL, source=source)


def _headers(error: RecordError) -> dict[str, str]:
    if isinstance(error, TooMany):
        return {"retry-after": error.issues[0].expected.split()[0]}
    if isinstance(error, NotIdentified):
        return {"www-authenticate": f'{CHALLENGE}, error="invalid_token"'}
    return {}


def _emergency(scope: Scope) -> str:
    written = [value for name, value in scope["headers"] if name == EMERGENCY_HEADER]
    if not written:
        return ""
    if len(written) > 1:
        raise Invalid("The reason for reading in an emergency is given twice.")
    return require_reason("".join(c for c in written[0].decode("latin-1") if c.isprintable()))
