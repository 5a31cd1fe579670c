"""How long one request may take."""

from __future__ import annotations

import asyncio

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import Issue, Unavailable
from service.web.errors import error_response


class TimeLimit:
    """ASGI middleware: answers 503 when a request has taken more than `seconds`.

    A body that drips in and a wait for a turn end at once; a change that has begun is carried through, and then the
    answer says that it may have been.
    """

    def __init__(self, app: ASGIApp, seconds: float) -> None:
        self.app, self._seconds = app, seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = False

        async def send_noted(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            async with asyncio.timeout(self._seconds) as limit:
                await self.app(scope, receive, send_noted)
        except TimeoutError:
            if begun or not limit.expired():
                raise
            message = f"This took more than {self._seconds:g} seconds. A change may or may not have been carried out."
            answer = error_response(Unavailable(Issue("timeout", message)), {"retry-after": "5", "connection": "close"})
            await answer(scope, receive, send)
