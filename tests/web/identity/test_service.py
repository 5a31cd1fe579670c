"""The service with a provider: who is let in, what is written down, and that no door is open beside the matrix."""

from __future__ import annotations

import asyncio
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import httpx
import pytest
from cryptography.hazmat.primitives import serialization
from fastapi import FastAPI

from service.domain.actor import LOCAL
from service.errors import Misconfigured
from service.fhir.validation import issues_of
from service.settings import Settings
from service.storage.records import Records
from service.web.app import create_app
from service.web.identity.middleware import OPEN
from service.web.identity.token_endpoint import ASSERTION
from service.web.server import serve

PUBLIC = "https://record.clinic.example"
FHIR = {"content-type": "application/fhir+json"}


class Client:
    """Asks an application directly, as whoever the token names."""

    def __init__(self, app: FastAPI, source: str = "192.0.2.7") -> None:
        self._app, self._source = app, source

    def request(self, method: str, path: str, token: str = "", **more: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self._app, raise_app_exceptions=False, client=(self._source, 40000))
            async with httpx.AsyncClient(transport=transport, base_url=PUBLIC) as client:
                headers = dict(more.pop("headers", {}))
                if token:
                    headers["authorization"] = f"Bearer {token}"
                return await client.request(method, path, headers=headers, **more)

        return asyncio.run(ask())

    def get(self, path: str, token: str = "", **more: Any) -> httpx.Response:
        return self.request("GET", path, token, **more)


@pytest.fixture
def settings(sqlite_url: str, provider: Any, ec_pair: Any, rsa_pair: Any, tmp_path: Path) -> Settings:
    provider.publish_keys(ec_pair)
    key, clients = tmp_path / "key.pem", tmp_path / "clients.json"
    pem = rsa_pair.private.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    key.write_bytes(pem)
    listed = [
        {"client_id": "lab", "name": "Invented laboratory", "scopes": ["system/Patient.rs", "system/Observation.rs"],
         "jwks": {"keys": [ec_pair.jwk]}}
    ]  # fmt: skip
    clients.write_text(json.dumps(listed))
    return Settings(
        database_url=sqlite_url, oidc_issuer=provider.address, oidc_audience="handrecord", public_url=PUBLIC,
        clients_file=clients, token_key_file=key,
    )  # fmt: skip


@pytest.fixture
def records(settings: Settings) -> Iterator[Records]:
    opened = Records.open(settings.database_url)
    with opened.write(LOCAL) as writer:
        for ident in ("a", "b"):
            writer.update({"resourceType": "Patient", "id": ident, "active": True})
    yield opened
    opened.close()


@pytest.fixture
def app(settings: Settings, records: Records) -> Iterator[FastAPI]:
    made = create_app(settings, records)
    yield made
    made.state.events.close()


@pytest.fixture
def client(app: FastAPI) -> Client:
    return Client(app)


@pytest.fixture
def token(provider: Any, ec_pair: Any) -> Any:
    """A token of the provider, with these claims changed."""
    return lambda **changed: ec_pair.token(provider.claims(**changed))


def events(records: Records, *pairs: tuple[str, str]) -> list[Any]:
    from service.fhir.search_parameters import parse

    with records.read() as reader:
        return list(reader.events(parse("AuditEvent", pairs)).entries)


def test_a_good_token_opens_the_record(client: Client, token: Any) -> None:
    assert client.get("/fhir/Patient/a", token()).json()["id"] == "a"


@pytest.mark.parametrize("given", ["", "x", "a.b.c"])
def test_without_a_good_token_nobody_is_let_in(client: Client, records: Records, given: str) -> None:
    answer = client.get("/fhir/Patient/a", given)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Bearer ")
    assert answer.json()["issue"][0]["code"] == "login"
    assert "x-content-type-options" in answer.headers
    (told,) = events(records, ("outcome", "4"))
    assert (told.actor.id, told.actor.source, told.query) == ("unidentified", "192.0.2.7", "GET /fhir/Patient/a")


def test_a_loopback_address_is_no_way_around(app: FastAPI) -> None:
    headers = {"host": "127.0.0.1"}
    assert Client(app, "127.0.0.1").get("/fhir/Patient/a", headers=headers).status_code == 401


def test_an_assertion_opens_nothing(client: Client, ec_pair: Any) -> None:
    now = int(time.time())
    claims = {"iss": "lab", "sub": "lab", "aud": f"{PUBLIC}/token", "exp": now + 200, "jti": "1"}
    assert client.get("/fhir/Patient/a", ec_pair.token(claims, typ="JWT")).status_code == 401


def test_a_providers_trouble_is_503_and_not_a_way_in(client: Client, provider: Any, token: Any) -> None:
    provider.pages.clear()
    answer = client.get("/fhir/Patient/a", token())
    assert (answer.status_code, answer.json()["issue"][0]["code"]) == (503, "transient")


def _routes(app: FastAPI) -> Iterator[Any]:
    """Every route, those of included routers too, which FastAPI keeps under a name of its own."""
    for route in app.routes:
        included = getattr(route, "original_router", None)
        yield from included.routes if included is not None else [route]


def test_every_route_asks_for_a_token_or_is_known_to_be_open(client: Client, app: FastAPI) -> None:
    paths = {route.path for route in _routes(app)}
    assert paths >= OPEN
    for path in sorted(paths - OPEN):
        concrete = (
            path.replace("{type}", "Patient").replace("{id}", "a").replace("{patient}", "a").replace("{version}", "1")
        )
        for method in ("GET", "POST", "PUT", "DELETE"):
            assert client.request(method, concrete).status_code == 401, (method, path)


DOORS: dict[tuple[str, str], list[tuple[str, dict[str, Any]]]] = {
    ("GET", "/fhir/{type}"): [("/fhir/Patient", {}), ("/fhir/AuditEvent", {})],
    ("POST", "/fhir/{type}"): [("/fhir/Patient", {"json": {"resourceType": "Patient"}, "headers": FHIR})],
    ("POST", "/fhir/{type}/_search"): [("/fhir/Patient/_search", {"data": {"active": "true"}})],
    ("GET", "/fhir/{type}/{id}"): [("/fhir/Patient/a", {}), ("/fhir/AuditEvent/0-1", {})],
    ("PUT", "/fhir/{type}/{id}"): [
        ("/fhir/Patient/a", {"json": {"resourceType": "Patient", "id": "a"}, "headers": FHIR})
    ],
    ("DELETE", "/fhir/{type}/{id}"): [("/fhir/Patient/a", {})],
    ("GET", "/fhir/{type}/{id}/_history"): [("/fhir/Patient/a/_history", {})],
    ("GET", "/fhir/{type}/{id}/_history/{version}"): [("/fhir/Patient/a/_history/1", {})],
    ("POST", "/fhir"): [],
    ("POST", "/fhir/"): [],
    ("POST", "/visits"): [
        ("/visits", {"json": {"patient": {"id": "a"}, "when": "2026-03-02T09:30:00+01:00", "by": {"name": "Invented"},
                              "readings": [{"kind": "grip-strength", "side": "right", "site": "hand",
                                            "trials": ["21.5"], "unit": "kgf"}]}})
    ],
    ("GET", "/patients/{patient}/summary"): [("/patients/a/summary", {})],
}  # fmt: skip
"""Each route beside the open ones, with requests for a person who may nothing; Bundles have a test of their own."""

PATCH = {
    "json": [{"op": "add", "path": "/language", "value": "en"}],
    "headers": {"content-type": "application/json-patch+json"},
}
GOAL = {
    "what": "make a fist", "whose": "patient", "code": "flexion-active-free", "target": {"value": 90, "unit": "deg"},
    "side": "right", "site": "index-pip",
}  # fmt: skip
STATISTICS = {"subject": "Patient/a", "code": "8302-2", "system": "http://loinc.org", "statistic": "average"}
MORE: dict[tuple[str, str], list[tuple[str, dict[str, Any]]]] = {
    ("PUT", "/fhir/{type}"): [("/fhir/Patient?_id=a", {"json": {"resourceType": "Patient"}, "headers": FHIR})],
    ("PATCH", "/fhir/{type}"): [("/fhir/Patient?_id=a", PATCH)],
    **{
        (method, path): [(path.replace("{group}", "a"), {"headers": FHIR | {"prefer": "respond-async"}, **more})]
        for path in ("/fhir/$export", "/fhir/Patient/$export", "/fhir/Group/{group}/$export")
        for method, more in (("GET", {}), ("POST", {"json": {"resourceType": "Parameters"}}))
    },
    ("PATCH", "/fhir/{type}/{id}"): [("/fhir/Patient/a", PATCH)],
    ("DELETE", "/fhir/{type}"): [("/fhir/Patient?_id=a", {})],
    ("POST", "/patients/{patient}/goals"): [("/patients/a/goals", {"json": GOAL})],
    ("GET", "/fhir/Observation/$stats"): [(f"/fhir/Observation/$stats?{urlencode(STATISTICS)}", {})],
    ("POST", "/fhir/Observation/$stats"): [
        (
            "/fhir/Observation/$stats",
            {
                "headers": FHIR,
                "json": {
                    "resourceType": "Parameters",
                    "parameter": [
                        {"name": "subject", "valueUri": "Patient/a"},
                        {"name": "statistic", "valueCode": "average"},
                        {"name": "code", "valueString": "8302-2"},
                        {"name": "system", "valueUri": "http://loinc.org"},
                    ],
                },
            },
        )
    ],
}
"""Changes by condition and by patch, and bodies that are read closely before anybody asks who sends them."""

TOUCHES_NOTHING = {
    ("POST", "/shorthand"),
    ("POST", "/fhir/{type}/$validate"),
    ("POST", "/fhir/{type}/{id}/$validate"),
    ("GET", "/views"),
    ("GET", "/views/{name}"),
    ("GET", "/views/{name}/codebook"),
    *(
        (method, f"/fhir/{kind}/${name}")
        for method in ("GET", "POST")
        for kind, name in (
            ("ValueSet", "expand"),
            ("ValueSet/{id}", "expand"),
            ("ValueSet", "validate-code"),
            ("ValueSet/{id}", "validate-code"),
            ("CodeSystem", "lookup"),
            ("ConceptMap", "translate"),
            ("ConceptMap/{id}", "translate"),
        )
    ),
}
"""Routes that need a token and nothing else: they neither read nor change the record. Terms are this project's own
definitions; an operation that is not offered is told so."""


def _documented(app: FastAPI, method: str, path: str) -> list[tuple[str, dict[str, Any]]]:
    """A request to a route by what the OpenAPI document says of it: the example of its body, or the least body."""
    document = app.openapi()
    operation = document["paths"].get(path, {}).get(method.lower())
    if operation is None:
        return []
    concrete = re.sub(r"{type}|{target}", "Patient", path)
    numbers = {one["name"] for one in operation.get("parameters", []) if one.get("schema", {}).get("type") == "integer"}
    concrete = re.sub(r"{(\w+)}", lambda found: "1" if found[1] in numbers else "a", concrete)
    needed = [one for one in operation.get("parameters", []) if one["in"] == "query" and one.get("required")]
    if needed:
        values = {one["name"]: one.get("example") or _least(one["schema"], document) for one in needed}
        concrete += f"?{urlencode(values)}"
    contents = operation.get("requestBody", {}).get("content")
    if contents is None:
        return [(concrete, {})]
    bodies = {kind: content.get("example") or _least(content["schema"], document) for kind, content in contents.items()}
    return [(concrete, {"json": body, "headers": {"content-type": kind}}) for kind, body in bodies.items()]


def _least(schema: dict[str, Any], whole: dict[str, Any]) -> Any:
    """The least value that a schema allows: what is required, with the first choice of each."""
    schema = _resolved(schema, whole)
    for choice in ("anyOf", "oneOf"):
        if choice in schema:
            return _least(schema[choice][0], whole)
    if "const" in schema:
        return schema["const"]
    if "enum" in schema:
        return schema["enum"][0]
    match schema.get("type"):
        case "object":
            local = whole | {"$defs": schema.get("$defs", {})}
            return {name: _least(schema["properties"][name], local) for name in schema.get("required", [])}
        case "array":
            return [_least(schema["items"], whole)]
        case "number" | "integer":
            return 1
    return "2026-01-01" if schema.get("format") == "date" else "index-pip"


def _resolved(schema: dict[str, Any], whole: dict[str, Any]) -> dict[str, Any]:
    """A schema, or the one that it refers to."""
    found = whole
    for step in schema["$ref"].removeprefix("#/").split("/") if "$ref" in schema else ():
        found = found[step]
    return found if "$ref" in schema else schema


def test_every_route_closes_to_whoever_may_nothing(app: FastAPI, client: Client, token: Any) -> None:
    """Each route is tried as written out above, else by its own documented example; one without either fails."""
    nobody, tried = token(roles=["unknown"]), 0
    for route in _routes(app):
        for method in set(route.methods) - {"HEAD"}:
            touches_nothing = (method, route.path) in TOUCHES_NOTHING or route.path.endswith("/${operation}")
            if route.path in OPEN or touches_nothing:
                continue
            door = (method, route.path)
            requests = DOORS.get(door) or MORE.get(door) or _documented(app, *door)
            assert requests or route.path in ("/fhir", "/fhir/"), f"{method} {route.path} has no entry and no example"
            for path, more in requests:
                answer = client.request(method, path, nobody, **more)
                assert answer.status_code == 403, (method, path, answer.text)
                tried += 1
    assert tried >= len(DOORS)


@pytest.mark.parametrize("door", DOORS)
def test_whoever_may_nothing_meets_a_closed_door_everywhere(client: Client, token: Any, door: tuple[str, str]) -> None:
    nobody = (token(roles=["unknown"]), token(scope="openid"), token(roles=["researcher"]))
    for path, more in DOORS[door]:
        for who in nobody:
            answer = client.request(door[0], path, who, **more)
            assert answer.status_code == 403, (path, answer.text)
            assert answer.json()["issue"][0]["code"] == "forbidden"


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_every_entry_of_a_bundle_meets_the_same_doors(client: Client, records: Records, token: Any, kind: str) -> None:
    def entry(method: str, url: str, **more: Any) -> dict[str, Any]:
        request = {"method": method, "url": url} | more
        patient = {"resourceType": "Patient", "id": "a", "language": "en"}
        return {"request": request, **({"resource": patient} if method in ("POST", "PUT") else {})}

    entries = [
        entry("GET", "Patient/a"), entry("GET", "Patient"), entry("GET", "Patient/a/_history"),
        entry("GET", "Patient/a/_history/1"), entry("POST", "Patient"), entry("PUT", "Patient/a"),
        entry("DELETE", "Patient/b"), entry("POST", "Patient", ifNoneExist="_id=b"),
    ]  # fmt: skip
    for who in (token(roles=["unknown"]), token(scope="openid")):
        bundles = [entries] if kind == "batch" else [[one] for one in entries]
        for some in bundles:
            body = {"resourceType": "Bundle", "type": kind, "entry": some}
            answer = client.request("POST", "/fhir", who, json=body, headers=FHIR)
            if kind == "transaction":
                assert answer.status_code == 403, answer.text
            else:
                assert {one["response"]["status"] for one in answer.json()["entry"]} == {"403 Forbidden"}
    with records.read() as reader:
        assert [reader.get("Patient", ident).version for ident in ("a", "b")] == [1, 1]


def test_open_routes_show_nothing_of_the_record(client: Client, provider: Any) -> None:
    for path in sorted(OPEN - {"/token"}):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert "Patient/a" not in answer.text


def test_links_use_the_address_that_was_set_whatever_the_request_says(client: Client, token: Any) -> None:
    found = client.get("/fhir/Patient", token(), headers={"host": "evil.example"})
    assert found.json()["link"][0]["url"].startswith(f"{PUBLIC}/fhir/")
    assert "evil" not in found.text


def test_the_statement_says_that_tokens_are_needed(client: Client) -> None:
    found = client.get("/fhir/metadata").json()
    assert issues_of(found) == []
    assert found["rest"][0]["security"]["service"][0]["coding"][0]["code"] == "SMART-on-FHIR"


def test_discovery_names_the_token_endpoint(client: Client) -> None:
    """The fields that SMART App Launch 2.2 requires of every server, and those of a backend service."""
    for path in ("/.well-known/smart-configuration", "/fhir/.well-known/smart-configuration"):
        found = client.get(path).json()
        assert found["token_endpoint"] == f"{PUBLIC}/token"
        assert {"token_endpoint", "grant_types_supported", "capabilities", "code_challenge_methods_supported"} <= set(
            found
        )
        assert "private_key_jwt" in found["token_endpoint_auth_methods_supported"]
        assert {"client-confidential-asymmetric", "permission-v2"} <= set(found["capabilities"])


def test_discovery_of_a_record_without_clients_is_the_providers(
    settings: Settings, records: Records, provider: Any
) -> None:
    named = {
        "issuer": provider.address, "jwks_uri": f"{provider.address}/keys",
        "authorization_endpoint": f"{provider.address}/authorize", "token_endpoint": f"{provider.address}/token",
    }  # fmt: skip
    provider.publish("/.well-known/openid-configuration", named)
    app = create_app(settings.model_copy(update={"clients_file": None, "token_key_file": None}), records)
    found = Client(app).get("/fhir/.well-known/smart-configuration").json()
    assert {name: found[name] for name in named} == named
    assert "launch-standalone" in found["capabilities"]
    assert Client(app).request("POST", "/token").status_code in (401, 404)


def _token_of_the_lab(client: Client, ec_pair: Any, name: str = "t-1") -> httpx.Response:
    claims = {"iss": "lab", "sub": "lab", "aud": f"{PUBLIC}/token", "exp": int(time.time()) + 200, "jti": name}
    fields = {
        "grant_type": "client_credentials", "scope": "system/Patient.rs", "client_assertion_type": ASSERTION,
        "client_assertion": ec_pair.token(claims, typ="JWT"),
    }  # fmt: skip
    headers = {"content-type": "application/x-www-form-urlencoded"}
    return client.request("POST", "/token", content=urlencode(fields), headers=headers)


def test_a_system_client_gets_a_token_that_opens_what_it_was_granted(
    client: Client, records: Records, ec_pair: Any
) -> None:
    given = _token_of_the_lab(client, ec_pair)
    assert given.status_code == 200, given.text
    assert given.headers["cache-control"] == "no-store"
    access = given.json()["access_token"]
    assert client.get("/fhir/Patient/a", access).status_code == 200
    assert client.get("/fhir/Observation", access).status_code == 403
    assert client.request("DELETE", "/fhir/Patient/a", access).status_code == 403
    again = _token_of_the_lab(client, ec_pair)
    assert (again.status_code, again.json()["error"]) == (401, "invalid_client")
    told = [(one.act, one.actor.id, one.outcome) for one in reversed(events(records)) if one.number[0]]
    assert told == [
        ("token", "lab", "0"), ("read", "lab", "0"), ("search", "lab", "4"), ("delete", "lab", "4"),
        ("token", "unidentified", "4"),
    ]  # fmt: skip


def test_who_did_what_is_served_as_valid_r4(client: Client, token: Any, records: Records) -> None:
    person = token(name="Ida Invented")
    client.get("/fhir/Patient/a", person)
    client.get("/fhir/Patient?active=true", person)
    client.get("/fhir/AuditEvent", person)
    client.get(
        "/fhir/Condition/x", token(roles=["front-desk"]), headers={"handrecord-emergency": "collapsed at the desk"}
    )
    client.get("/fhir/Patient/a")
    bundle = client.get("/fhir/AuditEvent?_count=50", token(roles=["auditor"])).json()
    found = [entry["resource"] for entry in bundle["entry"]]
    assert len(found) == 7
    for event in found:
        assert [issue for issue in issues_of(event) if issue.severity in ("error", "fatal")] == []
    one = next(event for event in found if event["subtype"][0]["code"] == "search" and event["outcome"] == "0")
    assert {entity["what"]["reference"] for entity in one["entity"] if "what" in entity} == {"Patient/a", "Patient/b"}
    assert one["agent"][0]["who"] == {"reference": "Practitioner/invented-therapist", "display": "Ida Invented"}
    assert one["agent"][0]["network"] == {"address": "192.0.2.7", "type": "2"}
    assert one["agent"][1]["altId"] == "desk"
    emergency = next(event for event in found if "purposeOfEvent" in event)
    assert emergency["purposeOfEvent"][0]["text"] == "collapsed at the desk"
    by_id = client.get(f"/fhir/AuditEvent/{one['id']}", token(roles=["auditor"])).json()
    assert by_id == one
    searched = client.get(
        "/fhir/AuditEvent?patient=Patient/b&agent=invented-therapist", token(roles=["auditor"])
    ).json()
    assert [entry["resource"]["id"] for entry in searched["entry"]] == [one["id"]]


def test_nobody_writes_events(client: Client, token: Any, records: Records) -> None:
    body = {"resourceType": "AuditEvent", "id": "0-1"}
    for role in ("auditor", "administrator", "clinician"):
        for method, path in (("POST", ""), ("PUT", "/0-1"), ("DELETE", "/0-1")):
            answer = client.request(method, f"/fhir/AuditEvent{path}", token(roles=[role]), json=body, headers=FHIR)
            assert answer.status_code in (403, 405), answer.text
    with records.read() as reader:
        assert reader.verify_events().faults == ()


def test_no_answer_leaves_before_its_event(
    app: FastAPI, client: Client, token: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.storage.audit_chain import TornChain

    client.get("/fhir/Patient/a", token())

    def torn(*_: Any) -> bool:
        raise TornChain("on purpose")

    monkeypatch.setattr(app.state.events, "put_at_once", torn)
    answer = client.get("/fhir/Patient/a", token())
    assert answer.status_code == 503
    assert "active" not in answer.text


def test_a_student_writes_what_needs_a_signature(client: Client, token: Any) -> None:
    body = {"resourceType": "Patient", "id": "a", "language": "en"}
    answer = client.request("PUT", "/fhir/Patient/a", token(roles=["student"]), json=body, headers=FHIR)
    assert [tag["code"] for tag in answer.json()["meta"]["tag"]] == ["co-signature-needed"]


@pytest.mark.parametrize("reason", ["x", "", "          "])
def test_a_reason_for_an_emergency_must_say_something(client: Client, token: Any, reason: str) -> None:
    answer = client.get("/fhir/Condition", token(roles=["front-desk"]), headers={"handrecord-emergency": reason})
    assert answer.status_code == 422


def test_headers_cannot_be_forged_into_answers_or_events(client: Client, token: Any, records: Records) -> None:
    evil = "a\tlong reason \x7f[31m forged"
    person = token(name="Ida\r\nSet-Cookie: x=y", roles=["front-desk"])
    answer = client.get("/fhir/Condition", person, headers={"handrecord-emergency": evil})
    assert answer.status_code == 200
    assert "set-cookie" not in answer.headers
    told = events(records, ("action", "E"))[0]
    assert told.actor.name == "IdaSet-Cookie: x=y"
    assert all(c.isprintable() for c in told.actor.emergency)
    path = client.get("/fhir/Patient%0d%0aSet-Cookie:x=y/a", person)
    assert path.status_code == 404
    assert "set-cookie" not in path.headers


def test_who_asks_too_often_waits(settings: Settings, records: Records, token: Any) -> None:
    app = create_app(settings.model_copy(update={"rate_limit": 3}), records)
    client, known = Client(app), token()
    statuses = [client.get("/fhir/Patient/a", known).status_code for _ in range(6)]
    assert statuses[:3] == [200, 200, 200]
    assert 429 in statuses
    late = client.get("/fhir/Patient/a", known)
    assert late.json()["issue"][0]["code"] == "throttled"
    assert 1 <= int(late.headers["retry-after"]) <= 60
    stranger = [Client(app, "192.0.2.99").get("/fhir/Patient/a", "x.y.z").status_code for _ in range(5)]
    assert stranger == [401, 401, 401, 429, 429]


def test_a_request_may_not_take_for_ever(settings: Settings, records: Records, token: Any) -> None:
    app = create_app(settings.model_copy(update={"request_seconds": 0.2}), records)

    async def drip() -> Any:
        yield b'{"resourceType":'
        await asyncio.sleep(5)
        yield b'"Patient"}'

    began = time.monotonic()
    answer = Client(app).request("POST", "/fhir/Patient", token(), content=drip(), headers=FHIR)
    assert (answer.status_code, answer.json()["issue"][0]["code"]) == (503, "timeout")
    assert time.monotonic() - began < 3


def test_other_sites_may_not_ask_unless_listed(
    settings: Settings, records: Records, client: Client, token: Any
) -> None:
    asked = {"origin": "https://app.clinic.example", "access-control-request-method": "GET"}
    assert "access-control-allow-origin" not in client.get("/fhir/Patient/a", token(), headers=asked).headers
    assert client.request("OPTIONS", "/fhir/Patient/a", headers=asked).status_code == 401
    listed = settings.model_copy(update={"cors_origins": frozenset({"https://app.clinic.example"})})
    allowing = Client(create_app(listed, records))
    assert allowing.request("OPTIONS", "/fhir/Patient/a", headers=asked).status_code == 200
    answer = allowing.get("/fhir/Patient/a", token(), headers=asked)
    assert answer.headers["access-control-allow-origin"] == "https://app.clinic.example"
    assert "access-control-allow-credentials" not in answer.headers
    other = allowing.get("/fhir/Patient/a", token(), headers={"origin": "https://elsewhere.example"})
    assert "access-control-allow-origin" not in other.headers


@pytest.mark.parametrize(
    "wrong",
    [
        {"oidc_issuer": "https://login.clinic.example"},
        {"oidc_audience": "handrecord"},
        {"oidc_issuer": "http://login.clinic.example", "oidc_audience": "handrecord"},
        {"oidc_issuer": "https://login.clinic.example", "oidc_audience": "x", "oidc_jwks_url": "http://10.0.0.1/keys"},
        {"clients_file": "clients.json"},
        {"oidc_issuer": "https://login.clinic.example", "oidc_audience": "x", "clients_file": "clients.json"},
        {"public_url": "ftp://record.clinic.example"},
        {"rate_limit": -1},
        {"request_seconds": 0},
        {"log_level": "chatty"},
    ],
)
def test_settings_that_contradict_each_other_are_refused(
    wrong: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from service import settings

    for name, value in wrong.items():
        monkeypatch.setenv(f"HANDRECORD_{name.upper()}", str(value))
    settings.load.cache_clear()
    with pytest.raises(Misconfigured) as refused:
        settings.load()
    settings.load.cache_clear()
    assert refused.value.issues[0].where.startswith("HANDRECORD_")


def test_any_address_may_be_listened_on_once_there_is_a_provider(
    settings: Settings, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(Misconfigured, match="loopback"):
        serve(settings.model_copy(update={"host": "0.0.0.0", "oidc_issuer": "", "oidc_audience": ""}))
    began: list[str] = []

    class Server:
        def run(self, sockets: list[Any]) -> None:
            began.append(sockets[0].getsockname()[0])

    monkeypatch.setattr("service.web.server.server_for", lambda app: Server())
    monkeypatch.setattr("service.web.server.logs.configure", lambda level: None)
    monkeypatch.setattr("service.web.server.gc.freeze", lambda: None)
    serve(settings.model_copy(update={"host": "0.0.0.0", "port": 0}))
    assert began == ["0.0.0.0"]
