"""Bundles are made of stored bytes, and are what R4 calls a Bundle."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import pytest

from service.fhir import bundle, text
from service.fhir.bundle_references import local_references
from service.fhir.validation import issues_of

BASE = "http://here.example/fhir"
LINKS = bundle.Links(f"{BASE}/Patient?name=%22x%22", f"{BASE}/Patient?name=%22x%22&_cursor=abc")


@dataclass(frozen=True)
class Version:
    type: str
    id: str
    version: int
    method: str
    body: bytes
    updated: datetime = datetime(2026, 3, 1, 10, tzinfo=UTC)

    @property
    def deleted(self) -> bool:
        return self.method == "delete"


ONE = Version("Patient", "a", 1, "create", b'{"resourceType":"Patient","id":"a","multipleBirthInteger":2}')
TWO = Version("Patient", "a", 2, "update", b'{"resourceType":"Patient","id":"a", "active" : true}')
GONE = Version("Patient", "a", 3, "delete", b"")


def errors(made: bytes) -> list[str]:
    return [str(issue) for issue in issues_of(text.parse(made)) if issue.severity in ("error", "fatal")]


def test_a_searchset_holds_the_stored_bytes_as_they_are() -> None:
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "not-supported"}]}
    other = Version("Patient", "b", 1, "create", b'{"resourceType":"Patient","id":"b", "active" : true}')
    made = bundle.searchset([ONE, other], base=BASE, links=LINKS, total=7, outcome=outcome)
    assert errors(made) == []
    assert other.body in made
    read = text.parse(made)
    assert (read["type"], read["total"]) == ("searchset", 7)
    assert [link["relation"] for link in read["link"]] == ["self", "next"]
    assert read["link"][0]["url"] == LINKS.this
    assert [entry["search"]["mode"] for entry in read["entry"]] == ["match", "match", "outcome"]
    assert read["entry"][0]["fullUrl"] == f"{BASE}/Patient/a"


def test_no_match_is_no_entry() -> None:
    made = bundle.searchset([], base=BASE, links=bundle.Links(f"{BASE}/Patient"), total=0)
    assert errors(made) == []
    assert "entry" not in text.parse(made)


def test_a_history_says_what_was_done_to_make_each_version() -> None:
    made = bundle.history(
        [GONE, TWO, ONE], base=BASE, links=LINKS, status=lambda version: {"delete": "204"}.get(version.method, "200")
    )
    assert errors(made) == []
    entries = text.parse(made)["entry"]
    assert [entry["request"] for entry in entries] == [
        {"method": "DELETE", "url": "Patient/a"},
        {"method": "PUT", "url": "Patient/a"},
        {"method": "POST", "url": "Patient"},
    ]
    assert [entry["response"]["etag"] for entry in entries] == ['W/"3"', 'W/"2"', 'W/"1"']
    assert entries[0]["response"]["status"] == "204"
    assert ["resource" in entry for entry in entries] == [False, True, True]


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_an_answer_has_one_entry_for_each_that_was_asked(kind: str) -> None:
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "not-found"}]}
    answers = [
        bundle.Answer("201 Created", "Patient/a/_history/1", 1, ONE.updated, ONE.body),
        bundle.Answer("404 Not Found", outcome=outcome),
    ]
    made = bundle.response(kind, answers)
    assert errors(made) == []
    read = text.parse(made)
    assert read["type"] == f"{kind}-response"
    assert read["entry"][0] == {
        "resource": text.parse(ONE.body),
        "response": {
            "status": "201 Created",
            "etag": 'W/"1"',
            "lastModified": "2026-03-01T10:00:00.000000Z",
            "location": "Patient/a/_history/1",
        },
    }
    assert read["entry"][1]["response"]["outcome"] == outcome


def test_local_references_are_told_with_their_place() -> None:
    resource = {
        "resourceType": "Observation",
        "subject": {"reference": "Patient/1/_history/3"},
        "performer": [{"reference": "urn:uuid:1"}, {"reference": "Practitioner/2"}, {"reference": "#inside"}],
        "extension": [{"url": "urn:x", "valueReference": {"reference": "Device/3"}}],
        "note": [{"text": "Patient/9"}],
    }
    assert {(link.where, link.key) for link in local_references(resource)} == {
        ("Observation.subject.reference", ("Patient", "1")),
        ("Observation.performer[1].reference", ("Practitioner", "2")),
        ("Observation.extension[0].valueReference.reference", ("Device", "3")),
    }
