"""How much one request may carry."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import TooLarge
from service.web.errors import error_response


class BodyLimit:
    """ASGI middleware: refuses with 413 a body of more than `max_body` bytes, announced or not."""

    def __init__(self, app: ASGIApp, max_body: int) -> None:
        self.app = app
        self.max_body = max_body

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
        elif _announced(scope) > self.max_body:
            await error_response(self._refusal())(scope, receive, send)
        else:
            await self.app(scope, self._counting(receive), send)

    def _counting(self, receive: Receive) -> Receive:
        received = 0

        async def receive_within_limit() -> Message:
            nonlocal received
            message = await receive()
            received += len(message.get("body", b""))
            if received > self.max_body:
                raise self._refusal()
            return message

        return receive_within_limit

    def _refusal(self) -> TooLarge:
        return TooLarge(f"The body is larger than the {self.max_body} bytes this record accepts in one request.")


def _announced(scope: Scope) -> int:
    """The length the request announces, in bytes; 0 when it announces none."""
    for name, value in scope["headers"]:
        if name == b"content-length" and value.isdigit():
            return int(value)
    return 0
