"""From an Authorization header to the acting person."""

from __future__ import annotations

import hashlib
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from threading import Lock
from typing import Any

from service.domain.actor import Actor
from service.errors import NotIdentified
from service.web.identity.keys import LIFETIME
from service.web.identity.tokens import LEEWAY, Verifier, unverified

_REMEMBERED = 10_000


@dataclass(frozen=True, slots=True)
class Issuer:
    """One issuer of tokens: what its tokens must be, and who they speak for."""

    verifier: Verifier
    actor: Callable[[dict[str, Any]], Actor]


class Bearer:
    """Identifies by bearer tokens (RFC 6750) of known issuers. Safe to share between threads.

    A token that held is remembered, by its digest, until it expires, and for no longer than keys are believed.
    """

    def __init__(self, issuers: Iterable[Issuer], *, clock: Callable[[], float] = time.time) -> None:
        self._issuers = {issuer.verifier.issuer: issuer for issuer in issuers}
        self._clock = clock
        self._turn = Lock()
        self._known: OrderedDict[bytes, tuple[float, Actor]] = OrderedDict()

    def known(self, token: str) -> Actor | None:
        """Who a token speaks for, if it held a short while ago; for the event loop."""
        digest = _digest(token)
        with self._turn:
            found = self._known.get(digest)
            if found is None:
                return None
            until, actor = found
            if self._clock() >= until:
                del self._known[digest]
                return None
            return actor

    def identify(self, token: str) -> Actor:
        """Who a token speaks for; may fetch keys. Raises `NotIdentified`, or `Unavailable` when keys cannot be had."""
        found = unverified(token)
        stated = found.claims.get("iss")
        issuer = self._issuers.get(stated) if isinstance(stated, str) else None
        if issuer is None:
            raise NotIdentified("The token's issuer is not known here.")
        claims = issuer.verifier.claims(token, found)
        actor = issuer.actor(claims)
        now = self._clock()
        with self._turn:
            self._known[_digest(token)] = (min(float(claims["exp"]) + LEEWAY, now + LIFETIME), actor)
            while len(self._known) > _REMEMBERED:
                self._known.popitem(last=False)
        return actor


def token_in(headers: Iterable[tuple[bytes, bytes]]) -> str:
    """The bearer token of a request's raw headers. Raises `NotIdentified` for none, several, or another scheme."""
    written = [value for name, value in headers if name == b"authorization"]
    if not written:
        raise NotIdentified("This needs a bearer token of the clinic's identity provider.")
    scheme, _, token = written[0].decode("latin-1").partition(" ")
    if len(written) > 1 or scheme.lower() != "bearer" or not token or " " in token:
        raise NotIdentified("The Authorization header holds no bearer token.")
    return token


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("latin-1", "replace")).digest()
