"""What was meant to break in: SQL in searches, paths out of the tree, addresses to be fetched, HTML in text."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from typing import Any

import pytest

INJECTIONS = [
    "'; DROP TABLE resource; --", "' OR '1'='1", '" OR ""="', "x') UNION SELECT body FROM resource --", "%' --", "\\",
    "?", "??", "%s", "%(x)s", "$1", ":x", "{0}", "*", "a'b", "1; SELECT pg_sleep(5)",
]  # fmt: skip
SEARCHES = [
    ("Patient", name) for name in ("name", "name:contains", "family:exact", "identifier", "_id", "_tag", "address")
] + [("Observation", name) for name in ("code", "code:text", "patient", "patient.family", "status", "combo-code")]


@pytest.mark.parametrize("injection", INJECTIONS)
def test_no_search_is_turned_into_sql(client: Any, injection: str) -> None:
    """Each is one value and finds nothing, or is refused as one; and the record is as it was."""
    patient = client.new_patient(name=[{"family": "Unharmed"}])
    for kind, name in SEARCHES:
        answer = client.get(f"/fhir/{kind}", params={name: injection})
        assert answer.status_code in (200, 400, 422), (kind, name, answer.text)
        if answer.status_code == 200:
            assert answer.json().get("entry", []) == [], (kind, name)
    for path in ("/fhir/Patient", "/fhir/Patient/_search"):
        assert client.get(path, params={"_sort": injection}).status_code in (400, 404, 422)
    assert client.get(f"/fhir/{patient}").status_code == 200


def test_sql_in_a_document_is_text(client: Any) -> None:
    for injection in INJECTIONS:
        patient = client.new_patient(name=[{"family": injection}])
        assert client.get(f"/fhir/{patient}").json()["name"] == [{"family": injection}]


@pytest.mark.parametrize(
    "path",
    [
        "/../etc/passwd", "/fhir/../../etc/passwd", "/fhir/%2e%2e/%2e%2e/etc/passwd", "/docs/..%2f..%2fetc/passwd",
        "/record.css/../../pyproject.toml", "/fhir/Binary/..%2f..%2fetc%2fpasswd", "/fhir/Patient/%00", "//etc/passwd",
        "/fhir/Patient/....//....//etc/passwd", "/orthosis-episodes/..%5c..%5cwindows",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_tree(client: Any, path: str) -> None:
    host, port = client.base_url.host, client.base_url.port
    with socket.create_connection((host, port), timeout=10) as line:
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: line.recv(65536), b""))
    assert answer.split(b" ", 2)[1] in (b"400", b"404", b"405"), answer[:200]
    assert b"root:" not in answer
    assert b"build-backend" not in answer


@pytest.fixture
def trap() -> Iterator[socket.socket]:
    """An address of this computer that notices any connection."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(0.5)
        yield listener


def test_no_address_in_a_resource_is_ever_fetched(client: Any, trap: socket.socket) -> None:
    """Not by storing, validating, including, chaining, expanding or deriving."""
    there = f"http://127.0.0.1:{trap.getsockname()[1]}"
    patient = client.new_patient(photo=[{"url": f"{there}/photo.png", "contentType": "image/png"}])
    observation = json.loads(client.observation(patient)) | {
        "meta": {"profile": [f"{there}/StructureDefinition/x"]},
        "focus": [{"reference": f"{there}/fhir/Patient/1"}],
        "extension": [{"url": f"{there}/extension", "valueUri": f"{there}/value"}],
    }
    observation["code"]["coding"].append({"system": f"{there}/CodeSystem/x", "code": "y"})
    stored = client.send_fhir("POST", "/fhir/Observation", observation)
    assert stored.status_code in (201, 422), stored.text
    document = {
        "resourceType": "DocumentReference", "status": "current", "subject": {"reference": patient},
        "content": [{"attachment": {"url": f"{there}/letter.pdf"}}],
    }  # fmt: skip
    assert client.send_fhir("POST", "/fhir/DocumentReference", document).status_code == 201
    client.send_fhir("POST", "/fhir/Observation/$validate", observation)
    for query in ("_include=*", "focus.family=x", f"code:in={there}/ValueSet/x", f"focus={there}/fhir/Patient/1"):
        client.get(f"/fhir/Observation?{query}")
    client.get(f"/fhir/ValueSet/$expand?url={there}/ValueSet/x")
    client.get(f"/fhir/{patient}/$everything")
    bundle = {
        "resourceType": "Bundle", "type": "batch",
        "entry": [{"request": {"method": "GET", "url": f"{there}/fhir/Patient/1"}}],
    }  # fmt: skip
    client.send_fhir("POST", "/fhir", bundle)
    with pytest.raises(TimeoutError):
        trap.accept()


@pytest.mark.parametrize(
    "markup",
    ["<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "</style><script>alert(1)</script>", "&lt;b&gt;"],
)
def test_html_in_text_stays_data(client: Any, markup: str) -> None:
    """A browser that opens the address of a resource is given JSON, told not to guess, and allowed no script."""
    patient = client.new_patient(name=[{"family": markup}])
    answer = client.get(f"/fhir/{patient}", headers={"accept": "text/html,application/xhtml+xml,*/*;q=0.8"})
    assert answer.json()["name"] == [{"family": markup}]
    assert answer.headers["content-type"].startswith("application/fhir+json")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "script" not in answer.headers["content-security-policy"]
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    refused = client.get("/fhir/Patient", params={"nosuch": markup})
    assert refused.headers["content-type"].startswith("application/fhir+json")


def test_a_script_in_a_narrative_is_refused(client: Any) -> None:
    """R4 allows no active content in Narrative.div (txt-1, https://hl7.org/fhir/R4/narrative.html)."""
    for inner in ("<script>alert(1)</script>", '<a href="javascript:alert(1)">x</a>', '<p onclick="alert(1)">x</p>'):
        div = f'<div xmlns="http://www.w3.org/1999/xhtml">{inner}</div>'
        answer = client.send_fhir("POST", "/fhir/Patient", client.patient(text={"status": "generated", "div": div}))
        assert answer.status_code == 422, (inner, answer.text)
