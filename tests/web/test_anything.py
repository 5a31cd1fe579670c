"""Whatever is sent, the answer is below 500, and a refusal is an OperationOutcome."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import quote

from hypothesis import given, settings
from hypothesis import strategies as st

RUN = settings(max_examples=50, deadline=None, derandomize=True)

ODD = st.sampled_from(
    ["", "\x00", "\ud800", "é", "%", "'", '"; DROP TABLE resource', "a" * 70, "1e400", "-1", "NaN", "null", "|", ",",
     "$x", "../..", "\u202e", "2026-02-30", "http://[", "urn:uuid:", "Patient/1", "#", "?", "\\", "9" * 30, " ", "\n"]
)  # fmt: skip
TEXT = st.one_of(ODD, st.text(max_size=12))
VALUES = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), TEXT,
        st.sampled_from(["Patient", "Observation", "transaction", "batch", "POST", "PUT", "final", "urn:uuid:1"]),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXT, inner, max_size=3)),
    max_leaves=12,
)  # fmt: skip
NAMES = st.sampled_from(
    ["resourceType", "id", "meta", "text", "extension", "identifier", "name", "status", "code", "subject", "type",
     "entry", "effectiveDateTime", "valueQuantity", "component", "contained", "request", "resource", "fullUrl", "url",
     "method", "patient", "when", "by", "readings", "kind", "side", "site", "value", "unit", "trials", "key",
     "zone", "orthosis"]
)  # fmt: skip
METHODS = st.sampled_from(["GET", "POST", "PUT", "DELETE", "HEAD", "PATCH", "OPTIONS"])
PARAMETERS = st.sampled_from(
    ["code", "date", "subject", "patient", "_id", "_lastUpdated", "_count", "_sort", "_cursor", "_total", "_format",
     "_pretty", "code:not", "subject:Patient", "date:missing", "family:exact", "birthdate", "identifier", "body-site"]
)  # fmt: skip


def check(answer: Any) -> None:
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400 and answer.content:
        assert answer.json()["resourceType"] == "OperationOutcome"
        assert answer.json()["issue"]


def written(value: Any) -> bytes:
    return json.dumps(value).encode(errors="surrogatepass")


def encoded(text: str) -> str:
    return quote(text.encode(errors="surrogatepass"), safe="")


@RUN
@given(
    method=METHODS,
    start=st.sampled_from(["/fhir/Patient", "/fhir/Observation", "/fhir", "/patients", "/", "/visits", "/fhir/Task/a"]),
    steps=st.lists(st.one_of(TEXT, st.sampled_from(["_history", "_search", "1", "a", "summary"])), max_size=4),
)
def test_any_address_is_answered(client: Any, method: str, start: str, steps: list[str]) -> None:
    path = "/".join([start.rstrip("/"), *(encoded(step) for step in steps if step.strip("."))]) or "/"
    check(client.request(method, path, headers={"content-type": "application/fhir+json"}))


@RUN
@given(
    kind=st.sampled_from(["Observation", "Patient", "Encounter", "Task"]),
    pairs=st.lists(st.tuples(st.one_of(PARAMETERS, TEXT), TEXT), min_size=1, max_size=4),
    prefer=st.sampled_from(["handling=lenient", "handling=strict", "=;=,,", 'return="minimal"']),
)
def test_any_search_is_answered(client: Any, kind: str, pairs: list[tuple[str, str]], prefer: str) -> None:
    query = "&".join(f"{encoded(name)}={encoded(value)}" for name, value in pairs)
    check(client.get(f"/fhir/{kind}?{query}", headers={"prefer": prefer}))


@RUN
@given(
    target=st.sampled_from(
        [("POST", "/fhir/Patient"), ("POST", "/fhir/Observation"), ("PUT", "/fhir/Patient/a"), ("POST", "/fhir"),
         ("POST", "/visits")]
    ),
    elements=st.dictionaries(NAMES, VALUES, max_size=6),
    kind=st.sampled_from(["Patient", "Observation", "Bundle", "Nonsense", ""]),
)  # fmt: skip
def test_any_body_is_answered(client: Any, target: tuple[str, str], elements: dict[str, Any], kind: str) -> None:
    body = {"resourceType": kind, **elements} if kind else elements
    check(client.request(*target, content=written(body), headers={"content-type": "application/fhir+json"}))


@RUN
@given(
    base=st.sampled_from(["observation", "visit", "transaction"]),
    at=st.integers(min_value=0, max_value=10_000),
    put=st.one_of(VALUES, TEXT),
)
def test_a_good_body_with_one_thing_changed_is_answered(client: Any, base: str, at: int, put: Any) -> None:
    observation = json.loads(client.observation("Patient/a"))
    entry = {"fullUrl": "urn:uuid:6f1b3c52-0a53-4e2c-9d19-0b1f8f5e7a01", "resource": observation,
             "request": {"method": "POST", "url": "Observation", "ifNoneExist": "code=x"}}  # fmt: skip
    bodies: dict[str, tuple[str, Any]] = {
        "observation": ("/fhir/Observation", observation),
        "transaction": ("/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": [entry, entry]}),
        "visit": ("/visits", {
            "patient": {"id": "a"}, "when": "2026-03-02T09:30", "by": {"name": "N"},
            "readings": [{"kind": "joint-motion", "side": "left", "site": "index-pip", "motion": "flexion",
                          "value": "1"}],
        }),
    }  # fmt: skip
    path, body = bodies[base]
    places = list(_places(body))
    holder, key = places[at % len(places)]
    holder[key] = put
    check(client.post(path, content=written(body), headers={"content-type": "application/fhir+json"}))


def _places(value: Any) -> Any:
    """Every place in a body where something else could stand: its holder and the key or index there."""
    keys = value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        yield value, key
        yield from _places(value[key])


@RUN
@given(
    name=st.sampled_from(
        ["accept", "content-type", "prefer", "if-match", "if-none-match", "if-modified-since", "if-none-exist",
         "origin", "content-encoding", "cookie", "authorization"]
    ),
    value=st.binary(max_size=30).map(lambda raw: bytes(byte for byte in raw if byte >= 0x20 and byte != 0x7F).strip()),
)  # fmt: skip
def test_any_header_is_answered(client: Any, name: str, value: bytes) -> None:
    headers = {"content-type": "application/fhir+json", name: value}
    check(client.get("/fhir/Patient/a", headers=headers))
    check(client.put("/fhir/Patient/a", content=b'{"resourceType":"Patient","id":"a"}', headers=headers))
    check(client.post("/fhir/Patient", content=b'{"resourceType":"Patient"}', headers=headers))
