"""Registered system clients, and the key that signs what the token endpoint gives out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, model_validator

from service.errors import Misconfigured
from service.settings import is_safe_address
from service.web.identity.keys import SMALLEST_RSA, FetchedKeys, FixedKeys, Key, Keys, public_keys
from service.web.identity.scopes import grant_of


class Registration(BaseModel):
    """One system client, as its file says."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    client_id: str = Field(min_length=1, max_length=200)
    name: str = Field(min_length=1, max_length=200)
    scopes: tuple[str, ...] = Field(min_length=1)
    jwks: dict[str, Any] | None = None
    jwks_uri: str = ""

    @model_validator(mode="after")
    def _usable(self) -> Registration:
        if (self.jwks is None) == (not self.jwks_uri):
            raise ValueError("a client has either jwks or jwks_uri")
        if self.jwks_uri and not is_safe_address(self.jwks_uri):
            raise ValueError("jwks_uri is neither an https address nor one of this computer")
        wrong = [scope for scope in self.scopes if not _is_for_systems(scope)]
        if wrong:
            raise ValueError(f"these are no scopes of a system client: {', '.join(wrong)}")
        return self


def _is_for_systems(scope: str) -> bool:
    grant = grant_of(scope)
    return grant is not None and grant.context == "system"


class Clients:
    """The registered clients with their keys, by client id."""

    def __init__(self, registrations: tuple[Registration, ...]) -> None:
        self._registrations = {one.client_id: one for one in registrations}
        if len(self._registrations) != len(registrations):
            raise Misconfigured("Two clients have the same client_id.", where="HANDRECORD_CLIENTS_FILE")
        self._keys = {one.client_id: _keys(one) for one in registrations}

    @classmethod
    def read(cls, file: Path) -> Clients:
        """The clients of a JSON file. Raises `Misconfigured` saying what is wrong with it."""
        try:
            return cls(TypeAdapter(tuple[Registration, ...]).validate_json(file.read_bytes()))
        except OSError as error:
            problem = f"The file of clients cannot be read: {error.strerror}."
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            place = ".".join(str(step) for step in first["loc"])
            problem = f"The file of clients cannot be used: {first['msg']} (at {place})."
        raise Misconfigured(problem, where="HANDRECORD_CLIENTS_FILE")

    def find(self, client: str) -> tuple[Registration, Keys] | None:
        """A client and where its keys are, or None if it is not registered."""
        found = self._registrations.get(client)
        return (found, self._keys[client]) if found else None


def _keys(registration: Registration) -> Keys:
    if registration.jwks is not None:
        return FixedKeys(public_keys(registration.jwks))
    return FetchedKeys(lambda: registration.jwks_uri)


def signing_key(file: Path) -> tuple[Key, str]:
    """The private key in a PEM or JWK file and its algorithm. Raises `Misconfigured`; never shows what is in it."""
    try:
        content = file.read_bytes()
    except OSError as error:
        raise _unusable(f"cannot be read: {error.strerror}") from error
    for kind, algorithm in ((ECKey, "ES384"), (RSAKey, "RS384")):
        try:
            written = msgspec.json.decode(content) if content.lstrip()[:1] == b"{" else content
            key = kind.import_key(written)
            if not key.is_private:
                raise _unusable("holds no private key")
            key.ensure_kid()
            size = key.public_key.key_size
        except (JoseError, ValueError, TypeError, KeyError, AttributeError):
            continue
        if size == 384 if algorithm == "ES384" else size >= SMALLEST_RSA:
            return key, algorithm
    raise _unusable(f"holds no key on the curve P-384 and no RSA key of {SMALLEST_RSA} bits or more")


def _unusable(why: str) -> Misconfigured:
    return Misconfigured(f"The file of the signing key {why}.", where="HANDRECORD_TOKEN_KEY_FILE")
