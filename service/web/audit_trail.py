"""Writing down who did what before any answer leaves, and logging how requests went."""

from __future__ import annotations

import asyncio
import logging
import time

from sqlalchemy.exc import SQLAlchemyError
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.domain.actor import Actor
from service.errors import RecordError, Unavailable
from service.logs import log, speaks
from service.storage.audit_chain import Event, TornChain
from service.storage.audit_log import EventLog
from service.usecases.audit import events_of, refusal_of
from service.usecases.doors import Visitors, watched
from service.web.errors import error_response
from service.web.headers import pattern_of
from service.web.identity.middleware import OPEN

NOBODY = Actor("unidentified", "", "")
"""Who acts where nobody has shown who they are."""

_UNWRITTEN = frozenset({429})
"""Answers that nothing is written down of: who asks too often must not fill the disk as well."""

_MOST = 256
"""Answers that wait for more of them, at most."""


class AuditTrail:
    """ASGI middleware: holds each answer back until what it shows, or refuses, is on disk."""

    def __init__(self, app: ASGIApp, events: EventLog, *, at_once: bool) -> None:
        """`at_once`: the database is a file of this process's own, and written in the event loop."""
        self.app, self._ledger = app, _Ledger(events, at_once=at_once)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = time.monotonic()
        with watched() as visitors:
            answer = _Answer(scope, receive, send, visitors, self._ledger)
            try:
                await self.app(scope, receive, answer.send)
            except Exception:
                await answer.broken()  # what answers now lies further out
                raise
            finally:
                _log(scope, answer.status, began)


class _Ledger:
    """What waits to be written: all that comes until a turn of the loop brings nothing new goes into one commit."""

    def __init__(self, events: EventLog, *, at_once: bool) -> None:
        self._events, self._at_once = events, at_once
        self._waiting: list[tuple[list[Event], asyncio.Future[None]]] = []

    async def write(self, events: list[Event]) -> None:
        """Come back when the events are on disk; raises what prevented it."""
        if not self._at_once:
            await asyncio.wrap_future(self._events.put(events))
            return
        loop = asyncio.get_running_loop()
        done: asyncio.Future[None] = loop.create_future()
        self._waiting.append((events, done))
        if len(self._waiting) == 1:
            loop.call_soon(self._write_unless_more_comes, 1)
        await done

    def _write_unless_more_comes(self, seen: int) -> None:
        """Each commit waits for the disk, and the loop with it; who is already on the way may as well come along."""
        if seen < len(self._waiting) < _MOST:
            asyncio.get_running_loop().call_soon(self._write_unless_more_comes, len(self._waiting))
        else:
            self._write_all()

    def _write_all(self) -> None:
        group, self._waiting = self._waiting, []
        events = [one for some, _ in group for one in some]
        try:
            written = self._events.put_at_once(events)
        except (SQLAlchemyError, RecordError, TornChain) as error:
            _settle(group, error)
            return
        if written:
            _settle(group, None)
            return
        later = asyncio.wrap_future(self._events.put(events))
        later.add_done_callback(lambda outcome: _settle(group, outcome.exception()))


def _settle(group: list[tuple[list[Event], asyncio.Future[None]]], error: BaseException | None) -> None:
    for _, done in group:
        if done.done():
            continue
        if error is None:
            done.set_result(None)
        else:
            done.set_exception(error)


class _Answer:
    """One answer on its way out."""

    def __init__(self, scope: Scope, receive: Receive, send: Send, visitors: Visitors, ledger: _Ledger) -> None:
        self._scope, self._receive, self._send = scope, receive, send
        self._visitors, self._ledger = visitors, ledger
        self._withheld = False
        self.status = 0

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            await self._write_down()
        if not self._withheld:
            await self._send(message)

    async def broken(self) -> None:
        """The request met a defect: nothing was shown of it."""
        if not self.status:
            self.status = 500
            await self._write_down()

    async def _write_down(self) -> None:
        events = _events(self._scope, self._visitors, self.status)
        if not events:
            return
        try:
            await self._ledger.write(events)
        except (SQLAlchemyError, RecordError, TornChain) as error:
            log(logging.ERROR, "What was done could not be written down, so it was not answered.", exc_info=error)
            if self.status == 500:
                return
            self._withheld, self.status = True, 503
            message = "What was asked cannot be written down at the moment, and so is not answered."
            await error_response(Unavailable(message))(self._scope, self._receive, self._send)


def _events(scope: Scope, visitors: Visitors, status: int) -> list[Event]:
    actor: Actor = scope.get("actor") or NOBODY
    if not actor.source and scope.get("client"):
        actor = Actor(actor.id, actor.name, actor.role, client=actor.client, source=scope["client"][0])
    events = events_of(actor, visitors.passages, failed=status >= 400)
    path: str = scope["path"]
    if events or status in _UNWRITTEN:
        return events
    if path == "/token":
        return [refusal_of(actor, "token", "4" if status >= 400 else "0")]
    if status >= 400 and path not in OPEN:
        asked = "".join(c for c in f"{scope['method']} {path}"[:500] if c.isprintable())
        return [refusal_of(actor, "request", "8" if status >= 500 else "4", asked)]
    return []


def _log(scope: Scope, status: int, began: float) -> None:
    level = logging.ERROR if status >= 500 else logging.WARNING if status in (401, 403, 429) else logging.INFO
    if not speaks(level):
        return
    actor: Actor | None = scope.get("actor")
    log(
        level,
        "A request was answered.",
        method=scope["method"] if scope["method"] in _METHODS else "other",
        route=pattern_of(scope),
        status=status,
        milliseconds=round((time.monotonic() - began) * 1000, 1),
        role=actor.role if actor else "",
    )


_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"})
