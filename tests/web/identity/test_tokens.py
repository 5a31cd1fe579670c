"""Bearer tokens: what holds, and every way known to us in which one may not."""

from __future__ import annotations

import base64
import hashlib
import json
import time
from collections.abc import Callable
from typing import Any

import pytest
from cryptography.hazmat.primitives import hashes, hmac, serialization
from cryptography.hazmat.primitives.asymmetric import rsa

from service.domain.actor import Grant
from service.errors import NotIdentified, RecordError
from service.settings import Settings
from service.web.identity.bearer import Bearer, Issuer, token_in
from service.web.identity.keys import FetchedKeys, provider_address
from service.web.identity.people import person_of
from service.web.identity.setup import PERSONS
from service.web.identity.tokens import Verifier


def b64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


@pytest.fixture
def bearer(provider: Any, rsa_pair: Any, ec_pair: Any, p256_pair: Any) -> Bearer:
    provider.publish_keys(rsa_pair, ec_pair, p256_pair)
    settings = Settings(oidc_issuer=provider.address, oidc_audience="handrecord")
    keys = FetchedKeys(provider_address(provider.address))
    verifier = Verifier(provider.address, "handrecord", keys, PERSONS)
    return Bearer([Issuer(verifier, lambda claims: person_of(claims, settings))])


def test_a_good_token_of_each_algorithm_holds(
    bearer: Bearer, provider: Any, rsa_pair: Any, ec_pair: Any, p256_pair: Any
) -> None:
    for pair, algorithm in ((rsa_pair, "RS256"), (rsa_pair, "RS384"), (p256_pair, "ES256"), (ec_pair, "ES384")):
        actor = bearer.identify(pair.token(provider.claims(), algorithm))
        assert (actor.id, actor.name, actor.role) == ("invented-therapist", "Ida Invented", "clinician")
        assert actor.grants == (Grant("user", "*", frozenset("cruds")),)


@pytest.mark.parametrize("kind", ["at+jwt", "application/at+jwt", "JWT", None])
def test_types_of_access_tokens_hold(bearer: Bearer, provider: Any, ec_pair: Any, kind: str | None) -> None:
    assert bearer.identify(ec_pair.token(provider.claims(), typ=kind)).role == "clinician"


@pytest.mark.parametrize(
    "changed",
    [
        {"aud": "another-service"},
        {"aud": ["another-service"]},
        {"aud": None},
        {"iss": "https://elsewhere.example"},
        {"iss": None},
        {"iss": ["x"]},
        {"sub": None},
        {"exp": None},
        {"exp": int(time.time()) - 60},
        {"exp": "never"},
        {"exp": True},
        {"nbf": int(time.time()) + 86400},
        {"iat": int(time.time()) + 86400},
    ],
)
def test_claims_that_do_not_hold_are_refused(
    bearer: Bearer, provider: Any, ec_pair: Any, changed: dict[str, Any]
) -> None:
    with pytest.raises(NotIdentified) as refused:
        bearer.identify(ec_pair.token(provider.claims(**changed)))
    assert refused.value.issues[0].code == "login"


def test_clocks_may_differ_a_little(bearer: Bearer, provider: Any, ec_pair: Any) -> None:
    now = int(time.time())
    assert bearer.identify(ec_pair.token(provider.claims(exp=now - 10, iat=now + 10, nbf=now + 10))).id


@pytest.mark.parametrize(
    "header",
    [
        {"kid": "unknown"},
        {"kid": None},
        {"kid": 7},
        {"kid": "../../etc/passwd"},
        {"kid": "ec-1' OR '1'='1"},
        {"typ": "logout+jwt"},
        {"typ": "secevent+jwt"},
        {"typ": "dpop+jwt"},
        {"typ": 1},
        {"crit": ["exp"]},
        {"crit": ["b64"], "b64": False},
        {"alg": "none"},
        {"alg": "None"},
        {"alg": "HS256"},
        {"alg": "ES512"},
        {"alg": "PS256"},
        {"alg": ["ES384"]},
    ],
)
def test_headers_that_do_not_hold_are_refused(
    bearer: Bearer, provider: Any, ec_pair: Any, header: dict[str, Any]
) -> None:
    with pytest.raises(NotIdentified):
        bearer.identify(ec_pair.token(provider.claims(), **header))


def _forgeries(provider: Any, rsa_pair: Any, ec_pair: Any) -> dict[str, str]:
    claims = provider.claims()
    good = ec_pair.token(claims)
    head, body, signature = good.split(".")
    public = rsa_pair.private.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    confused = f"{b64(json.dumps({'alg': 'HS256', 'typ': 'JWT', 'kid': 'rsa-1'}).encode())}.{body}"
    code = hmac.HMAC(public, hashes.SHA256())
    code.update(confused.encode())
    stranger = type(ec_pair)("ec-1", rsa.generate_private_key(65537, 2048))
    raised = b64(json.dumps(claims | {"roles": ["administrator"]}).encode())
    own = {"jwk": stranger.jwk}
    unsigned = b64(json.dumps({"alg": "none", "kid": "ec-1"}).encode())
    return {
        "no signature": f"{head}.{body}.",
        "alg none": f"{unsigned}.{body}.",
        "public key as shared secret": f"{confused}.{b64(code.finalize())}",
        "changed claims": f"{head}.{raised}.{signature}",
        "another's key under a known id": stranger.token(claims, "RS256"),
        "its own key in the header": stranger.token(claims, "RS256", **own),
        "another algorithm than the key's": rsa_pair.token(claims, "RS256", kid="ec-1"),
        "signature of zeros": f"{head}.{body}.{b64(bytes(96))}",
        "half a signature": f"{head}.{body}.{signature[:60]}",
        "encrypted": "a.b.c.d.e",
        "empty": "",
        "dots": "..",
        "not base64": "!.!.!",
        "not ASCII": good + "\u00e9",
        "claims are a list": ec_pair.token([1]),
        "claims are no JSON": f"{head}.{b64(b'{')}.{signature}",
        "huge": "a" * 100_000,
        "deep": f"{head}.{b64(b'[' * 8000)}.{signature}",
    }


def test_forgeries_are_refused_and_nothing_of_them_is_repeated(
    bearer: Bearer, provider: Any, rsa_pair: Any, ec_pair: Any
) -> None:
    for name, token in _forgeries(provider, rsa_pair, ec_pair).items():
        with pytest.raises(NotIdentified) as refused:
            bearer.identify(token)
        for piece in filter(None, token.split(".")):
            assert len(piece) < 8 or piece not in str(refused.value), name


def test_addresses_in_a_token_are_never_fetched(bearer: Bearer, provider: Any, rsa_pair: Any, ec_pair: Any) -> None:
    stranger = type(ec_pair)("stranger", rsa.generate_private_key(65537, 2048))
    provider.publish("/stranger", {"keys": [stranger.jwk]})
    elsewhere = {"jku": f"{provider.address}/stranger", "x5u": f"{provider.address}/stranger"}
    with pytest.raises(NotIdentified):
        bearer.identify(stranger.token(provider.claims(), "RS256", **elsewhere))
    with pytest.raises(NotIdentified):
        bearer.identify(ec_pair.token(provider.claims(iss=f"{provider.address}/stranger")))
    assert "/stranger" not in "".join(provider.asked)


def test_a_token_that_held_is_remembered_no_longer_than_it_is_good(provider: Any, ec_pair: Any) -> None:
    provider.publish_keys(ec_pair)
    now = [time.time()]
    verifier = Verifier(provider.address, "handrecord", FetchedKeys(provider_address(provider.address)), PERSONS)
    settings = Settings(oidc_issuer=provider.address, oidc_audience="handrecord")
    bearer = Bearer([Issuer(verifier, lambda claims: person_of(claims, settings))], clock=lambda: now[0])
    token = ec_pair.token(provider.claims(exp=int(now[0]) + 100))
    assert bearer.known(token) is None
    assert bearer.identify(token) == bearer.known(token)
    assert bearer.known(token + "x") is None
    now[0] += 131
    assert bearer.known(token) is None
    long = ec_pair.token(provider.claims(exp=int(time.time()) + 10_000))
    bearer.identify(long)
    now[0] += 301
    assert bearer.known(long) is None


@pytest.mark.parametrize(
    ("claims", "role"),
    [
        ({"roles": ["clinician"]}, "clinician"),
        ({"roles": "biller"}, "biller"),
        ({"roles": ["something", "student"]}, "student"),
        ({"roles": ["biller", "clinician"]}, "clinician"),
        ({"roles": ["local"]}, ""),
        ({"roles": []}, ""),
        ({"roles": None}, ""),
        ({"roles": {"clinician": True}}, ""),
        ({"roles": [["clinician"]]}, ""),
    ],
)
def test_roles_come_from_the_claim(provider: Any, claims: dict[str, Any], role: str) -> None:
    settings = Settings(oidc_issuer=provider.address, oidc_audience="handrecord")
    assert person_of(provider.claims(**claims), settings).role == role


def test_a_clinic_may_use_its_own_claim_and_words(provider: Any) -> None:
    settings = Settings(
        oidc_issuer=provider.address, oidc_audience="handrecord", role_claim="realm.groups",
        role_map={"Handtherapie": "clinician", "Praktikum": "student"}, cosign_roles=frozenset({"student"}),
    )  # fmt: skip
    found = person_of(provider.claims(realm={"groups": ["Handtherapie"]}), settings)
    assert (found.role, found.cosigned) == ("clinician", False)
    found = person_of(provider.claims(realm={"groups": ["Praktikum"]}), settings)
    assert (found.role, found.cosigned) == ("student", True)
    assert person_of(provider.claims(realm={"groups": ["clinician"]}), settings).role == ""


@pytest.mark.parametrize(
    ("claims", "ident"),
    [
        ({"fhirUser": "Practitioner/p-1"}, "p-1"),
        ({"fhirUser": "https://record.clinic.example/fhir/Practitioner/p-1"}, "p-1"),
        ({"fhirUser": "Practitioner/../x"}, "invented-therapist"),
        ({"sub": "someone@clinic.example"}, hashlib.sha256(b"someone@clinic.example").hexdigest()[:40]),
    ],
)
def test_the_person_is_named_stably(provider: Any, claims: dict[str, Any], ident: str) -> None:
    settings = Settings(oidc_issuer=provider.address, oidc_audience="handrecord")
    found = person_of(provider.claims(**claims), settings)
    assert found.id == ident


def test_a_name_is_one_line(provider: Any) -> None:
    settings = Settings(oidc_issuer=provider.address, oidc_audience="handrecord")
    found = person_of(provider.claims(name="Ida\r\n2026 INFO forged line" + "x" * 500), settings)
    assert "\n" not in found.name
    assert "\r" not in found.name
    assert len(found.name) <= 200


@pytest.mark.parametrize(
    "headers",
    [
        [],
        [(b"authorization", b"")],
        [(b"authorization", b"Bearer")],
        [(b"authorization", b"Bearer ")],
        [(b"authorization", b"Basic dXNlcjpwYXNz")],
        [(b"authorization", b"Bearer a b")],
        [(b"authorization", b"Bearer a"), (b"authorization", b"Bearer a")],
    ],
)
def test_only_one_bearer_token_is_taken(headers: list[tuple[bytes, bytes]]) -> None:
    with pytest.raises(NotIdentified):
        token_in(headers)
    assert token_in([(b"authorization", b"bearer a.b.c")]) == "a.b.c"


def test_no_error_but_ours_leaves(bearer: Bearer, provider: Any, ec_pair: Any) -> None:
    """Every byte of a good token changed, one at a time."""
    token = ec_pair.token(provider.claims())
    refuse: Callable[[str], Any] = bearer.identify
    for position in range(0, len(token), 7):
        for letter in "A.\x00":
            if token[position] != letter:
                # The last letter of a base64 text may carry bits that say nothing.
                broken = token[:position] + letter + token[position + 1 :]
                try:
                    actor = refuse(broken)
                except RecordError:
                    continue
                assert position == len(token) - 1, broken
                assert actor.role == "clinician"
