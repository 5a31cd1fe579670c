"""The token endpoint for system clients: SMART Backend Services (SMART App Launch 2.2, client_credentials).

A client proves itself by a JSON Web Token it signed (RFC 7523, private_key_jwt) and gets an access token for five
minutes. Its assertion works once: its id is kept in the database until it has expired.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl
from uuid import uuid4

from joserfc import jwt

from service.errors import NotIdentified, RecordError
from service.web.identity.clients import Clients, Registration
from service.web.identity.keys import Key
from service.web.identity.tokens import LEEWAY, Verifier, unverified

LIFETIME = 300
"""Seconds an access token is good for, and the furthest ahead an assertion may expire."""
ACCESS_TOKEN = "at+jwt"  # noqa: S105 - a type, not a secret
ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
FirstUse = Callable[[str, str, int], bool]
"""Remember an id (client, id, when it expires in seconds since 1970); False if it was used before."""


class Refused(RecordError):
    """A request for a token that is refused; `code` is one of RFC 6749 §5.2."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code


@dataclass(frozen=True, slots=True)
class TokenEndpoint:
    """Gives out access tokens: `address` is its own, `audience` that of the FHIR interface they open."""

    issuer: str
    address: str
    audience: str
    clients: Clients
    key: Key
    algorithm: str
    first_use: FirstUse
    clock: Callable[[], float] = time.time

    def answer(self, form: bytes) -> dict[str, Any]:
        """The access token response to a posted form. Raises `Refused`, or `Unavailable` when keys cannot be had."""
        asked = _fields(form)
        if asked.get("grant_type") != "client_credentials":
            raise Refused("unsupported_grant_type", "Only the grant type client_credentials is offered here.")
        if asked.get("client_assertion_type") != ASSERTION:
            raise Refused("invalid_client", f"A client proves itself by a client_assertion of the type {ASSERTION}.")
        client = self._client(asked.get("client_assertion", ""))
        wanted = asked.get("scope", "").split()
        if not wanted or not set(wanted) <= set(client.scopes):
            raise Refused("invalid_scope", "Ask for scopes, and only for those this client is registered with.")
        return self._token(client, " ".join(dict.fromkeys(wanted)))

    def _client(self, assertion: str) -> Registration:
        """The client that signed an assertion, which is used up by this."""
        try:
            found = unverified(assertion)
            claimed = found.claims.get("iss")
            registered = self.clients.find(claimed) if isinstance(claimed, str) else None
            if registered is None or found.claims.get("sub") != claimed:
                raise NotIdentified("The assertion names no registered client as its issuer and subject.")
            registration, keys = registered
            verifier = Verifier(
                registration.client_id, self.address, keys, frozenset({"", "jwt"}), lambda: int(self.clock())
            )
            self._use_up(registration.client_id, verifier.claims(assertion, found))
        except NotIdentified as error:
            raise Refused("invalid_client", error.issues[0].message.replace("token", "assertion")) from error
        return registration

    def _use_up(self, client: str, claims: dict[str, Any]) -> None:
        until, name = int(claims["exp"]), claims.get("jti")
        if until > self.clock() + LIFETIME + LEEWAY:
            raise NotIdentified(f"The token must expire within {LIFETIME} seconds.")
        if not isinstance(name, str) or not 0 < len(name) <= 200:
            raise NotIdentified("The token needs an id of its own (jti) of 1 to 200 characters.")
        if not self.first_use(client, name, until + LEEWAY):
            raise NotIdentified("The token was used before.")

    def _token(self, client: Registration, scope: str) -> dict[str, Any]:
        now = int(self.clock())
        claims = {
            "iss": self.issuer,
            "sub": client.client_id,
            "client_id": client.client_id,
            "aud": self.audience,
            "iat": now,
            "exp": now + LIFETIME,
            "jti": uuid4().hex,
            "scope": scope,
        }
        header = {"alg": self.algorithm, "typ": ACCESS_TOKEN, "kid": self.key.kid}
        token = jwt.encode(header, claims, self.key, algorithms=[self.algorithm])
        return {"access_token": token, "token_type": "bearer", "expires_in": LIFETIME, "scope": scope}


def _fields(form: bytes) -> dict[str, str]:
    try:
        pairs = parse_qsl(form.decode("ascii"), keep_blank_values=True, max_num_fields=20, errors="strict")
    except ValueError as error:
        raise Refused("invalid_request", "The body is not a form.") from error
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise Refused("invalid_request", "A field of the form is given twice.")
    return fields
