"""SMART Backend Services: what the token endpoint gives out, and to whom it does not."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from cryptography.hazmat.primitives import serialization

from service.errors import Misconfigured
from service.web.identity.clients import Clients, signing_key
from service.web.identity.token_endpoint import ASSERTION, Refused, TokenEndpoint
from service.web.identity.tokens import unverified

ADDRESS = "https://record.clinic.example/token"


def pem(pair: Any) -> bytes:
    return bytes(
        pair.private.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )


@pytest.fixture
def key_file(tmp_path: Path, ec_pair: Any) -> Path:
    file = tmp_path / "key.pem"
    file.write_bytes(pem(ec_pair))
    return file


@pytest.fixture
def endpoint(tmp_path: Path, rsa_pair: Any, ec_pair: Any, key_file: Path, provider: Any) -> TokenEndpoint:
    provider.publish_keys(ec_pair)
    file = tmp_path / "clients.json"
    listed = [
        {"client_id": "lab", "name": "Invented laboratory", "scopes": ["system/Patient.rs", "system/Observation.crus"],
         "jwks": {"keys": [rsa_pair.jwk]}},
        {"client_id": "far", "name": "Invented far", "scopes": ["system/*.rs"], "jwks_uri": f"{provider.address}/keys"},
    ]  # fmt: skip
    file.write_text(json.dumps(listed))
    key, algorithm = signing_key(key_file)
    used: set[tuple[str, str]] = set()

    def first_use(client: str, token: str, until: int) -> bool:
        assert until > time.time()
        fresh = (client, token) not in used
        used.add((client, token))
        return fresh

    return TokenEndpoint(
        "https://record.clinic.example", ADDRESS, "https://record.clinic.example/fhir", Clients.read(file), key,
        algorithm, first_use,
    )  # fmt: skip


def claims(**changed: Any) -> dict[str, Any]:
    now = int(time.time())
    claims.number += 1  # type: ignore[attr-defined]
    whole = {
        "iss": "lab", "sub": "lab", "aud": ADDRESS, "exp": now + 240, "jti": f"{now}-{claims.number}",  # type: ignore[attr-defined]
    } | changed  # fmt: skip
    return {name: value for name, value in whole.items() if value is not None}


claims.number = 0  # type: ignore[attr-defined]


def form(assertion: str, **changed: str | None) -> bytes:
    fields = {
        "grant_type": "client_credentials", "scope": "system/Patient.rs", "client_assertion_type": ASSERTION,
        "client_assertion": assertion,
    } | changed  # fmt: skip
    return urlencode({name: value for name, value in fields.items() if value is not None}).encode()


def test_a_registered_client_gets_a_short_token(endpoint: TokenEndpoint, rsa_pair: Any, ec_pair: Any) -> None:
    given = endpoint.answer(form(rsa_pair.token(claims(), "RS384", typ="JWT")))
    assert (given["token_type"], given["expires_in"], given["scope"]) == ("bearer", 300, "system/Patient.rs")
    found = unverified(given["access_token"])
    assert found.type == "at+jwt"
    assert (found.claims["iss"], found.claims["sub"]) == ("https://record.clinic.example", "lab")
    assert found.claims["aud"] == "https://record.clinic.example/fhir"
    assert 0 < found.claims["exp"] - time.time() <= 300


def test_keys_at_a_registered_address_work(endpoint: TokenEndpoint, ec_pair: Any) -> None:
    asked = form(ec_pair.token(claims(iss="far", sub="far"), typ="JWT"), scope="system/*.rs")
    assert endpoint.answer(asked)["scope"] == "system/*.rs"


def test_an_assertion_works_once(endpoint: TokenEndpoint, rsa_pair: Any) -> None:
    asked = form(rsa_pair.token(claims(), "RS384", typ=None))
    assert endpoint.answer(asked)
    with pytest.raises(Refused, match="used before"):
        endpoint.answer(asked)


@pytest.mark.parametrize(
    "changed",
    [
        {"iss": "stranger", "sub": "stranger"},
        {"iss": "far"},
        {"sub": "far"},
        {"iss": None},
        {"sub": None},
        {"aud": "https://record.clinic.example/fhir"},
        {"aud": "https://elsewhere.example/token"},
        {"aud": None},
        {"exp": int(time.time()) - 60},
        {"exp": int(time.time()) + 3600},
        {"exp": None},
        {"jti": None},
        {"jti": ""},
        {"jti": 7},
        {"jti": "x" * 201},
        {"nbf": int(time.time()) + 86400},
    ],
)
def test_an_assertion_that_does_not_hold(endpoint: TokenEndpoint, rsa_pair: Any, changed: dict[str, Any]) -> None:
    with pytest.raises(Refused) as refused:
        endpoint.answer(form(rsa_pair.token(claims(**changed), "RS384", typ="JWT")))
    assert refused.value.code == "invalid_client"


def test_another_clients_key_does_not_hold(endpoint: TokenEndpoint, rsa_pair: Any, ec_pair: Any) -> None:
    for token in (
        ec_pair.token(claims(), typ="JWT"),
        ec_pair.token(claims(), typ="JWT", kid="rsa-1"),
        rsa_pair.token(claims(iss="far", sub="far"), "RS384", typ="JWT"),
        rsa_pair.token(claims(), "RS384", typ="at+jwt"),
        rsa_pair.token(claims(), "RS384", typ="JWT", kid=None),
    ):
        with pytest.raises(Refused) as refused:
            endpoint.answer(form(token))
        assert refused.value.code == "invalid_client"


def test_a_stranger_makes_us_fetch_nothing(endpoint: TokenEndpoint, ec_pair: Any, provider: Any) -> None:
    elsewhere = f"{provider.address}/keys"
    token = ec_pair.token(claims(iss="stranger", sub="stranger"), typ="JWT", jku=elsewhere)
    with pytest.raises(Refused):
        endpoint.answer(form(token))
    with pytest.raises(Refused):
        endpoint.answer(form(ec_pair.token(claims(), typ="JWT", jku=elsewhere)))
    assert provider.asked == []


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"grant_type": "authorization_code"}, "unsupported_grant_type"),
        ({"grant_type": None}, "unsupported_grant_type"),
        ({"client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:saml2-bearer"}, "invalid_client"),
        ({"client_assertion": ""}, "invalid_client"),
        ({"scope": ""}, "invalid_scope"),
        ({"scope": "system/*.cruds"}, "invalid_scope"),
        ({"scope": "user/Patient.rs"}, "invalid_scope"),
    ],
)
def test_requests_that_ask_for_something_else(
    endpoint: TokenEndpoint, rsa_pair: Any, changed: dict[str, str | None], code: str
) -> None:
    with pytest.raises(Refused) as refused:
        endpoint.answer(form(rsa_pair.token(claims(), "RS384", typ="JWT"), **changed))
    assert refused.value.code == code


@pytest.mark.parametrize("body", [b"\xff", b"grant_type=a&grant_type=b", b"&".join([b"a=b"] * 50), b"%ff=%ff"])
def test_what_is_no_form(endpoint: TokenEndpoint, body: bytes) -> None:
    with pytest.raises(Refused) as refused:
        endpoint.answer(body)
    assert refused.value.code == "invalid_request"


@pytest.mark.parametrize(
    "listed",
    [
        "{",
        "{}",
        [{"client_id": "a"}],
        [{"client_id": "a", "name": "A", "scopes": ["system/*.rs"]}],
        [{"client_id": "a", "name": "A", "scopes": ["system/*.rs"], "jwks_uri": "http://10.0.0.1/keys"}],
        [{"client_id": "a", "name": "A", "scopes": ["system/*.rs"], "jwks_uri": "file:///etc/passwd"}],
        [{"client_id": "a", "name": "A", "scopes": ["user/*.rs"], "jwks_uri": "https://a.example/keys"}],
        [{"client_id": "a", "name": "A", "scopes": ["nonsense"], "jwks_uri": "https://a.example/keys"}],
        [{"client_id": "a", "name": "A", "scopes": ["system/*.rs"], "jwks_uri": "https://a.example/keys", "x": 1}],
        [{"client_id": "a", "name": "A", "scopes": ["system/*.rs"], "jwks_uri": "https://a.example/keys"}] * 2,
    ],
)
def test_a_bad_file_of_clients_is_refused(tmp_path: Path, listed: Any) -> None:
    file = tmp_path / "clients.json"
    file.write_text(listed if isinstance(listed, str) else json.dumps(listed))
    with pytest.raises(Misconfigured) as refused:
        Clients.read(file)
    assert refused.value.issues[0].where == "HANDRECORD_CLIENTS_FILE"


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    for read in (Clients.read, signing_key):
        with pytest.raises(Misconfigured):
            read(tmp_path / "none")


def test_signing_keys(tmp_path: Path, rsa_pair: Any, ec_pair: Any, p256_pair: Any) -> None:
    file = tmp_path / "key"
    for pair, algorithm in ((ec_pair, "ES384"), (rsa_pair, "RS384")):
        file.write_bytes(pem(pair))
        assert signing_key(file)[1] == algorithm
    for content in (pem(p256_pair), json.dumps(ec_pair.jwk).encode(), b"", b"{", b"{}", b"secret"):
        file.write_bytes(content)
        with pytest.raises(Misconfigured) as refused:
            signing_key(file)
        assert "secret" not in str(refused.value)
