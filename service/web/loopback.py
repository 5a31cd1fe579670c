"""Without an identity provider the record answers this computer only.

Nobody proves who they are yet, so whoever can reach the port is the clinic. Three fences keep that to the person at
this computer: the address listened on, the address a request comes from, and the names a request goes by. The last
one matters because a web page elsewhere can point a name of its own at 127.0.0.1, and because a proxy on this
computer would make every stranger look local.
"""

from __future__ import annotations

from functools import lru_cache
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Receive, Scope, Send

from service.errors import Forbidden, Misconfigured
from service.web.errors import error_response

_PROXY_HEADERS = (b"forwarded", b"x-forwarded-", b"x-real-ip", b"via")
"""How the names of headers begin that a proxy adds."""

_ONLY_HERE = "While no identity provider is configured, the record answers this computer only"


@lru_cache(maxsize=256)
def is_loopback(host: str) -> bool:
    """Whether a host name or address, without its port, means this computer."""
    bare = host.removeprefix("[").removesuffix("]")
    if bare.lower() == "localhost":
        return True
    try:
        return ip_address(bare).is_loopback
    except ValueError:
        return False


def require_loopback(host: str) -> None:
    """Raise `Misconfigured` unless `host` is an address of this computer only."""
    if not is_loopback(host):
        raise Misconfigured(
            f"The record cannot listen on '{host}': without an identity provider, loopback (127.0.0.1, ::1 or"
            " localhost) is the only address allowed, for whoever reaches the port may read and change all.",
            where="HANDRECORD_HOST",
        )


class LoopbackOnly:
    """ASGI middleware: refuses with 403 what does not come from this computer, to this computer, by its own name."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        reason = _reason_to_refuse(scope) if scope["type"] == "http" else ""
        if reason:
            response = error_response(Forbidden(f"{_ONLY_HERE}: {reason}."))
            await response(scope, receive, send)
        else:
            await self.app(scope, receive, send)


def _reason_to_refuse(scope: Scope) -> str:
    client = scope.get("client")
    if client and not is_loopback(client[0]):
        return "this request comes from another one"
    host = None
    for name, value in scope["headers"]:
        if name == b"host":
            if host is not None:
                return "this request names two hosts"
            host = value.decode("latin-1")
        elif name == b"origin" and not _is_loopback_netloc(value.decode("latin-1")):
            return "this request was made by a page of another site"
        elif name.startswith(_PROXY_HEADERS):
            return f"the header {name.decode('latin-1')} says this request was passed on by a proxy"
    if host is None or not _is_loopback_netloc(f"//{host}"):
        return "the request's Host header is not a loopback name such as 127.0.0.1 or localhost"
    return ""


@lru_cache(maxsize=256)
def _is_loopback_netloc(url: str) -> bool:
    try:
        parts = urlsplit(url)
        parts.port  # noqa: B018 - reading it is what checks it
        return "@" not in parts.netloc and is_loopback(parts.hostname or "")
    except ValueError:
        return False
