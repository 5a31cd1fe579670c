"""What every answer says to the browser that may receive it."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

SECURE_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; img-src 'self' data:; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
"""No script runs, nothing is loaded from elsewhere, nothing is framed, guessed at, referred onward or kept."""

_RAW = [(name.encode("ascii"), value.encode("ascii")) for name, value in SECURE_HEADERS.items()]


def pattern_of(scope: Scope) -> str:
    """The pattern of a request's address (`/fhir/{type}/{id}`), which names nobody; `none` before it is known."""
    return str(scope.get("pattern") or getattr(scope.get("route"), "path", None) or "none")


class SecureHeaders:
    """ASGI middleware: adds `SECURE_HEADERS` to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *_RAW]
            await send(message)

        await self.app(scope, receive, send_with_headers)
