"""Signed JSON Web Tokens (RFC 7519), read without trusting a word of them before the signature holds.

joserfc does the cryptography. Ours to check: which algorithms, which key id, which type, which critical headers; and
that no message repeats anything of a token.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec
from joserfc import jws, jwt
from joserfc.errors import ClaimError, JoseError
from joserfc.jws import JWSRegistry

from service.errors import NotIdentified
from service.web.identity.keys import Keys

ALGORITHMS = ("RS256", "RS384", "ES256", "ES384")
"""Asymmetric only: a public key can then never serve as a shared secret."""
LEEWAY = 30
"""Seconds that clocks may differ."""
LONGEST = 16 * 1024


class _Registry(JWSRegistry):
    """Unknown headers are passed over, as RFC 7515 says; those that must be understood are refused before."""

    max_header_length = 4096


_REGISTRY = _Registry(algorithms=ALGORITHMS, strict_check_header=False)


@dataclass(frozen=True, slots=True)
class Unverified:
    """What a token claims before anybody has checked it: fit to choose the key by, and for nothing else."""

    kid: str
    type: str
    claims: Mapping[str, Any]


def unverified(token: str) -> Unverified:
    """Header and claims of a token in the compact form. Raises `NotIdentified` for what cannot be one of ours."""
    if len(token) > LONGEST:
        raise NotIdentified("The token is too long.")
    try:
        found = jws.extract_compact(token.encode("ascii"), registry=_REGISTRY)
        claims = msgspec.json.decode(found.payload)
    except (JoseError, msgspec.DecodeError, ValueError, TypeError, RecursionError) as error:
        raise NotIdentified("The token is not a signed JSON Web Token.") from error
    header = found.protected
    if not isinstance(header, dict) or not isinstance(claims, dict):
        raise NotIdentified("The token is not a signed JSON Web Token.")
    if header.get("alg") not in ALGORITHMS:
        raise NotIdentified(f"The token is not signed with one of {', '.join(ALGORITHMS)}.")
    if "crit" in header or "b64" in header:
        raise NotIdentified("The token has headers that must be understood and are not.")
    kid, kind = header.get("kid"), header.get("typ", "")
    if not isinstance(kid, str) or not kid or not isinstance(kind, str):
        raise NotIdentified("The token does not say which key signed it.")
    return Unverified(kid, kind.lower().removeprefix("application/"), claims)


@dataclass(frozen=True, slots=True)
class Verifier:
    """What tokens of one issuer must be: signed by its keys, for this audience, of one of these types."""

    issuer: str
    audience: str
    keys: Keys
    types: frozenset[str]
    now: Callable[[], int] | None = None

    def claims(self, token: str, found: Unverified) -> dict[str, Any]:
        """The claims, once all of it holds. Raises `NotIdentified`, or `Unavailable` when keys cannot be had."""
        if found.type not in self.types:
            raise NotIdentified("The token is of a kind that opens nothing here.")
        if found.claims.get("iss") != self.issuer:
            raise NotIdentified("The token's issuer is not known here.")
        key = self.keys.find(found.kid)
        registry = jwt.JWTClaimsRegistry(
            now=self.now,
            leeway=LEEWAY,
            iss={"essential": True, "value": self.issuer},
            sub={"essential": True},
            aud={"essential": True, "value": self.audience},
            exp={"essential": True},
        )
        try:
            verified = jwt.decode(token, key, algorithms=ALGORITHMS, registry=_REGISTRY)
            registry.validate(verified.claims)
        except ClaimError as error:
            raise NotIdentified(_SENTENCES.get(error.error, _SENTENCES[""])) from error
        except (JoseError, msgspec.DecodeError, ValueError, TypeError, RecursionError) as error:
            raise NotIdentified("The token's signature does not hold.") from error
        return verified.claims


_SENTENCES = {
    "expired_token": "The token has expired.",
    "missing_claim": "The token lacks a claim that is needed here.",
    "": "The token is not meant for this service, or not for now.",
}
