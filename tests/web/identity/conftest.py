"""An invented clinic's identity provider: keys, a key server on this computer, tokens signed by hand.

Tokens are put together here from RFC 7515 and RFC 7518 with the primitives of `cryptography`, not with the library
that the service checks them with.
"""

from __future__ import annotations

import base64
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import Any

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

HASHES = {"256": hashes.SHA256(), "384": hashes.SHA384()}


def b64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _number(value: int, size: int = 0) -> str:
    return b64(value.to_bytes(size or (value.bit_length() + 7) // 8, "big"))


@dataclass
class Pair:
    """A private key under an id, with its public half as a JWK (RFC 7518 §6)."""

    kid: str
    private: Any

    @property
    def jwk(self) -> dict[str, Any]:
        public = self.private.public_key()
        if isinstance(public, rsa.RSAPublicKey):
            numbers = public.public_numbers()
            return {"kty": "RSA", "kid": self.kid, "n": _number(numbers.n), "e": _number(numbers.e)}
        size = (public.curve.key_size + 7) // 8
        point = public.public_numbers()
        curve = {256: "P-256", 384: "P-384", 521: "P-521"}[public.curve.key_size]
        return {"kty": "EC", "kid": self.kid, "crv": curve, "x": _number(point.x, size), "y": _number(point.y, size)}

    def sign(self, data: bytes, algorithm: str) -> bytes:
        digest = HASHES[algorithm[2:]]
        if algorithm.startswith("RS"):
            return bytes(self.private.sign(data, padding.PKCS1v15(), digest))
        r, s = decode_dss_signature(self.private.sign(data, ec.ECDSA(digest)))
        size = (self.private.curve.key_size + 7) // 8
        return r.to_bytes(size, "big") + s.to_bytes(size, "big")

    def token(self, claims: dict[str, Any], algorithm: str = "ES384", **header: Any) -> str:
        """A token of these claims; a header given as None is left out."""
        whole = {"alg": algorithm, "typ": "at+jwt", "kid": self.kid} | header
        parts = [{name: value for name, value in whole.items() if value is not None}, claims]
        signed = ".".join(b64(json.dumps(part).encode()) for part in parts)
        return f"{signed}.{b64(self.sign(signed.encode(), algorithm))}"


@pytest.fixture(scope="session")
def rsa_pair() -> Pair:
    return Pair("rsa-1", rsa.generate_private_key(65537, 2048))


@pytest.fixture(scope="session")
def ec_pair() -> Pair:
    return Pair("ec-1", ec.generate_private_key(ec.SECP384R1()))


@pytest.fixture(scope="session")
def p256_pair() -> Pair:
    return Pair("p256-1", ec.generate_private_key(ec.SECP256R1()))


@dataclass
class Provider:
    """A provider's web site: what stands at which path, with which status, and what was asked for."""

    address: str
    pages: dict[str, tuple[int, bytes, dict[str, str]]] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    drip: bool = False

    def publish(self, path: str, content: Any, status: int = 200, **headers: str) -> None:
        body = content if isinstance(content, bytes) else json.dumps(content).encode()
        self.pages[path] = (status, body, headers)

    def publish_keys(self, *pairs: Pair) -> None:
        self.publish("/keys", {"keys": [pair.jwk for pair in pairs]})
        self.publish("/.well-known/openid-configuration", {"issuer": self.address, "jwks_uri": f"{self.address}/keys"})

    def claims(self, **changed: Any) -> dict[str, Any]:
        """Claims of a good token of an invented clinician; a claim given as None is left out."""
        now = int(time.time())
        whole = {
            "iss": self.address, "sub": "invented-therapist", "aud": "handrecord", "iat": now, "exp": now + 600,
            "name": "Ida Invented", "roles": ["clinician"], "scope": "openid user/*.cruds", "client_id": "desk",
        } | changed  # fmt: skip
        return {name: value for name, value in whole.items() if value is not None}


@pytest.fixture
def provider() -> Iterator[Provider]:
    """A provider on a free port of this computer."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            site.asked.append(self.path)
            status, body, headers = site.pages.get(self.path, (404, b"", {}))
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()
            if site.drip:
                for _ in range(100):
                    time.sleep(0.05)
                    try:
                        self.wfile.write(b" ")
                        self.wfile.flush()
                    except OSError:
                        return
            self.wfile.write(body)

        def log_message(self, *_: Any) -> None:
            """Nothing on the terminal."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    site = Provider(f"http://127.0.0.1:{server.server_port}")
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield site
    server.shutdown()
    thread.join()
    server.server_close()
