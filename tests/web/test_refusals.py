"""What is refused, with which status, and that a refusal changes nothing and reveals nothing."""

from __future__ import annotations

import socket
from typing import Any

import pytest

PATIENT = b'{"resourceType":"Patient","active":true}'


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"null", 400),
        (b"[]", 400),
        (b'"Patient"', 400),
        (b"{", 400),
        (b"{}", 400),
        (b"\xff\xfe{}", 400),
        (b"\xef\xbb\xbf" + PATIENT, 400),
        (PATIENT + b"x", 400),
        (b'{"resourceType":"Patient","active":true,"active":false}', 400),
        (b'{"resourceType":"Patient","gender":"ma\\u0000le"}', 400),
        (b'{"resourceType":"Patient","gender":"ma\x00le"}', 400),
        (b'{"resourceType":"Patient","multipleBirthInteger":NaN}', 400),
        (b'{"resourceType":"Patient","multipleBirthInteger":Infinity}', 400),
        (b'{"resourceType":"Patient","multipleBirthInteger":1e400}', 400),
        (b'{"resourceType":"Patient","multipleBirthInteger":' + b"9" * 5000 + b"}", 400),
        (b'{"resourceType":"Patient","name":[{"family":"\\ud800"}]}', 400),
        (b'{"resourceType":"Patient","extension":' + b"[" * 20000 + b"]" * 20000 + b"}", 400),
        (b'{"a":' * 20000 + b"1" + b"}" * 20000, 400),
        (b"{" + b'"x":{' * 3000, 400),
        (b'{"resourceType":"Observation","status":"final"}', 400),
        (b'{"resourceType":["Patient"]}', 400),
        (b'{"resourceType":"Patient","multipleBirthInteger":1.5}', 422),
        (b'{"resourceType":"Patient","colour":"red"}', 422),
        (b'{"resourceType":"Patient","gender":"bogus"}', 422),
        (b'{"resourceType":"Patient","name":[]}', 422),
        (b'{"resourceType":"Patient","name":null}', 422),
        (b'{"resourceType":"Patient","birthDate":"2026-02-30"}', 422),
        (b'{"resourceType":"Patient","active":"true"}', 422),
        (b'{"resourceType":"Patient","managingOrganization":{"reference":"Organization/none"}}', 422),
    ],
)
def test_a_bad_body_is_refused(client: Any, body: bytes, status: int) -> None:
    before = client.get("/fhir/Patient?_summary=count").json()["total"]
    client.refusal(client.send_fhir("POST", "/fhir/Patient", body), status)
    assert client.get("/fhir/Patient?_summary=count").json()["total"] == before


@pytest.mark.parametrize(
    "content_type",
    ["", "text/plain", "application/fhir+xml", "application/xml", "application/fhir+json;fhirVersion=5.0", "text/json",
     "application/json; charset=latin-1"],
)  # fmt: skip
@pytest.mark.parametrize(
    ("method", "path"),
    [("POST", "/fhir/Patient"), ("PUT", "/fhir/Patient/a"), ("POST", "/fhir"), ("POST", "/visits")],
)
def test_another_format_is_refused_and_json_named(client: Any, method: str, path: str, content_type: str) -> None:
    answer = client.request(method, path, content=PATIENT, headers={"content-type": content_type})
    assert "JSON" in client.refusal(answer, 415)["details"]["text"]


@pytest.mark.parametrize("accept", ["application/fhir+xml", "text/html", "application/fhir+json; fhirVersion=5.0"])
def test_another_format_is_not_written(client: Any, accept: str) -> None:
    headers = {"accept": accept, "content-type": "application/fhir+json"}
    for method, path in (("GET", "/fhir/Patient"), ("GET", "/fhir/metadata"), ("GET", "/fhir/Patient/a")):
        client.refusal(client.request(method, path, headers=headers), 406)
    before = client.get("/fhir/Patient?_summary=count").json()["total"]
    client.refusal(client.post("/fhir/Patient", content=PATIENT, headers=headers), 406)
    client.refusal(client.get("/fhir/Patient?_format=xml"), 406)
    assert client.get("/fhir/Patient?_summary=count").json()["total"] == before


def test_a_huge_body_is_refused_whether_announced_or_not(client: Any) -> None:
    huge = b'{"resourceType":"Patient","name":[{"family":"' + b"x" * 300_000 + b'"}]}'
    headers = {"content-type": "application/fhir+json"}
    for path in ("/fhir/Patient", "/fhir", "/visits", "/no-such-place"):
        assert client.refusal(client.post(path, content=huge, headers=headers), 413)["code"] == "too-long"
    for path in ("/fhir/Patient", "/fhir", "/visits"):
        pieces = (huge[start : start + 10_000] for start in range(0, len(huge), 10_000))
        client.refusal(client.post(path, content=pieces, headers=headers), 413)


@pytest.mark.parametrize("ident", ["a_b", "a%20b", "x" * 65, "%00", "ä", "'", "_search"])
def test_what_can_be_no_id_is_not_there(client: Any, ident: str) -> None:
    client.refusal(client.get(f"/fhir/Patient/{ident}"), 404)
    client.refusal(client.get(f"/fhir/Patient/{ident}/_history/1"), 404)
    client.refusal(client.delete(f"/fhir/Patient/{ident}"), 404)


@pytest.mark.parametrize("version", ["0", "-1", "x", "1.0", "99999999999999999999", "2", "%00", "01"])
def test_what_can_be_no_version_is_not_there(client: Any, version: str) -> None:
    client.refusal(client.get(f"/fhir/{client.new_patient()}/_history/{version}"), 404)


def test_the_address_and_the_body_name_the_same_thing(client: Any) -> None:
    issue = client.refusal(client.send_fhir("PUT", "/fhir/Patient/a", client.patient(id="b")), 400)
    assert issue["expression"] == ["Patient.id"]
    client.refusal(client.send_fhir("PUT", "/fhir/Patient/a", client.patient()), 400)
    client.refusal(client.send_fhir("PUT", "/fhir/Patient/a", {"resourceType": "Group", "id": "a"}), 400)
    client.refusal(client.send_fhir("POST", "/fhir/Observation", client.patient()), 400)


@pytest.mark.parametrize("kind", ["Nonsense", "patient", "Medication", "Parameters", "..", "%00", "$everything"])
def test_a_type_that_is_not_kept_is_not_there(client: Any, kind: str) -> None:
    for method, path in (("GET", kind), ("GET", f"{kind}/a"), ("DELETE", f"{kind}/a"), ("GET", f"{kind}/a/_history")):
        answer = client.request(method, f"{client.base_url}/fhir/{kind.replace('..', '%2E%2E')}{path[len(kind) :]}")
        assert answer.status_code in (404, 405), answer.text
    client.refusal(client.send_fhir("POST", f"/fhir/{kind.replace('..', '%2E%2E')}", PATIENT), 404)


@pytest.mark.parametrize(
    ("method", "path", "offered"),
    [
        ("POST", "/fhir/Patient/a", "DELETE, GET, HEAD, PATCH, PUT"),
        ("DELETE", "/fhir/Patient/a/Observation", "GET, HEAD"),
        ("GET", "/fhir", "POST"),
        ("PUT", "/fhir/Patient/a/_history/1", "GET, HEAD"),
        ("GET", "/visits", "POST"),
        ("TRACE", "/fhir/Patient", "DELETE, GET, HEAD, PATCH, POST, PUT"),
    ],
)
def test_a_method_that_is_not_offered_names_those_that_are(client: Any, method: str, path: str, offered: str) -> None:
    answer = client.request(method, path)
    client.refusal(answer, 405)
    assert ", ".join(sorted(answer.headers["allow"].split(", "))) == offered


def test_types_that_the_record_writes_itself_cannot_be_written(client: Any) -> None:
    body = b'{"resourceType":"AuditEvent"}'
    answer = client.send_fhir("POST", "/fhir/AuditEvent", body)
    client.refusal(answer, 405)
    assert answer.headers["allow"] == "GET, HEAD"
    client.refusal(
        client.send_fhir("POST", "/fhir/StructureDefinition", b'{"resourceType":"StructureDefinition"}'), 404
    )


@pytest.mark.parametrize("path", ["/", "/nothing", "/fhir/Patient/a/b", "/fhir/", "/fhir//", "/docs/", "/patients"])
def test_an_unknown_address_is_an_outcome_too(client: Any, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code in (404, 405)
    client.refusal(answer, answer.status_code)


def test_parameters_are_refused_where_there_are_none(client: Any) -> None:
    reference = client.new_patient()
    for path in (
        f"/fhir/{reference}",
        "/fhir/metadata",
        f"/fhir/{reference}/_history",
        f"/patients/{reference[8:]}/summary",
    ):
        client.refusal(client.get(f"{path}?colour=red"), 400)
    assert client.get(f"/fhir/{reference}?colour=red", headers={"prefer": "handling=lenient"}).status_code == 200
    client.refusal(client.send_fhir("POST", "/fhir/Patient?colour=red", PATIENT), 400)


def test_every_answer_carries_the_secure_headers_once(client: Any) -> None:
    huge = b"x" * 300_000
    answers = [
        client.get("/fhir/metadata"),
        client.get("/nothing"),
        client.get("/docs"),
        client.post("/visits", content=huge),
        client.get("/fhir/metadata", headers={"host": "elsewhere.example"}),
    ]
    assert [answer.status_code for answer in answers] == [200, 404, 200, 413, 403]
    for answer in answers:
        assert answer.headers.get_list("x-content-type-options") == ["nosniff"]
        assert answer.headers.get_list("cache-control") == ["no-store"]
        assert answer.headers.get_list("referrer-policy") == ["no-referrer"]
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "server" not in answer.headers


def test_a_request_from_elsewhere_is_refused_over_the_wire(client: Any) -> None:
    for headers in ({"host": "record.example"}, {"x-forwarded-for": "192.0.2.1"}, {"forwarded": "for=192.0.2.1"}):
        assert client.refusal(client.get("/fhir/Patient", headers=headers), 403)["code"] == "forbidden"


@pytest.mark.parametrize(
    "request_text",
    [
        b"GARBAGE\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"POST /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -5\r\n\r\n",
        b"POST /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 2\r\nTransfer-Encoding: chunked\r\n\r\n",
        b"GET /" + b"a" * 200_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    ],
)
def test_what_is_no_http_does_not_stop_the_server(client: Any, request_text: bytes) -> None:
    with socket.create_connection((client.base_url.host, client.base_url.port), timeout=10) as raw:
        raw.sendall(request_text)
        assert not raw.recv(100).startswith(b"HTTP/1.1 5")
    assert client.get("/health").status_code == 200
