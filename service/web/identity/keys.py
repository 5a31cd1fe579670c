"""Public keys that signatures are checked with: fetched when needed, kept for a while, fetched again on rotation."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from threading import Lock
from typing import Any, Protocol

from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey
from joserfc.util import to_bytes, urlsafe_b64decode

from service.errors import NotIdentified, Unavailable
from service.settings import is_safe_address
from service.web.identity.fetching import fetch

Key = RSAKey | ECKey
Fetch = Callable[[str], dict[str, Any]]

LIFETIME = 300.0
"""Seconds that fetched keys are believed: so long does a key hold that the provider has taken away."""
UNKNOWN_KEY_PAUSE = 60.0
"""Seconds between fetches that only an unknown key id asks for: tokens of strangers must not make us a nuisance."""
FAILURE_PAUSE = 5.0
SMALLEST_RSA = 2048


class Keys(Protocol):
    """Where the key of a token is found."""

    def find(self, kid: str) -> Key:
        """The key with this id. Raises `NotIdentified`, or `Unavailable` when the keys cannot be had."""


class FixedKeys:
    """Keys that stand in a registration or are our own."""

    def __init__(self, keys: Iterable[Key]) -> None:
        self._keys = {key.kid: key for key in keys if key.kid}

    def find(self, kid: str) -> Key:
        key = self._keys.get(kid)
        if key is None:
            raise _unknown()
        return key


class FetchedKeys:
    """Keys published at an address, which `address` names when it is needed. Safe to share between threads."""

    def __init__(
        self, address: Callable[[], str], *, fetch: Fetch = fetch, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._address, self._fetch, self._clock = address, fetch, clock
        self._turn = Lock()
        self._keys: dict[str, Key] = {}
        self._fetched = self._tried = float("-inf")

    def find(self, kid: str) -> Key:
        with self._turn:
            now = self._clock()
            if now - self._fetched > LIFETIME:
                self._keys = {}
                self._refresh(now, FAILURE_PAUSE)
            elif kid not in self._keys and now - self._tried > UNKNOWN_KEY_PAUSE:
                self._refresh(now, UNKNOWN_KEY_PAUSE)
            key = self._keys.get(kid)
        if key is None:
            raise _unknown()
        return key

    def _refresh(self, now: float, pause: float) -> None:
        if now - self._tried < pause:
            raise Unavailable("The identity provider's keys could not be fetched a moment ago; try again soon.")
        self._tried = now
        self._keys = {key.kid: key for key in public_keys(self._fetch(self._address())) if key.kid}
        self._fetched = now


def provider_address(issuer: str, stated: str = "", *, fetch: Fetch = fetch) -> Callable[[], str]:
    """What names the address of a provider's keys: the one `stated`, else what its discovery document says."""

    def address() -> str:
        return stated or discovery(issuer, fetch=fetch)["jwks_uri"]

    return address


def discovery(issuer: str, *, fetch: Fetch = fetch) -> dict[str, str]:
    """The provider's discovery document (OpenID Connect Discovery 1.0): its texts that are addresses we may use.

    Raises `Unavailable` unless it is that issuer's own.
    """
    found = fetch(f"{issuer.rstrip('/')}/.well-known/openid-configuration")
    if found.get("issuer") != issuer:
        raise Unavailable("The discovery document is not that of the identity provider that was set.")
    named = {name: value for name, value in found.items() if isinstance(value, str)}
    keys = named.get("jwks_uri", "")
    if not is_safe_address(keys) or (issuer.startswith("https:") and not keys.startswith("https:")):
        raise Unavailable("The discovery document names no address of keys that may be used.")
    return named


def public_keys(document: dict[str, Any]) -> list[Key]:
    """The keys of a JWK Set that signatures may be checked with; what cannot be used is left out."""
    listed = document.get("keys")
    if not isinstance(listed, list):
        raise Unavailable("The identity provider publishes no key set.")
    return [key for key in map(_public_key, listed) if key is not None]


def _public_key(written: Any) -> Key | None:
    kinds: dict[Any, type[Key]] = {"RSA": RSAKey, "EC": ECKey}
    kind = kinds.get(written.get("kty")) if isinstance(written, dict) else None
    if kind is None or written.get("use", "sig") != "sig":
        return None
    try:
        if kind is RSAKey and _bits(written["n"]) < SMALLEST_RSA:
            return None
        return kind.import_key({name: value for name, value in written.items() if name not in _PRIVATE})
    except (JoseError, ValueError, TypeError, KeyError, AttributeError):
        return None


def _bits(number: str) -> int:
    return int.from_bytes(urlsafe_b64decode(to_bytes(number))).bit_length()


_PRIVATE = frozenset({"d", "p", "q", "dp", "dq", "qi", "oth", "key_ops"})


def _unknown() -> NotIdentified:
    return NotIdentified("The token is signed with a key that its issuer does not publish.")
