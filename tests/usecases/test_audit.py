"""Events as AuditEvent, in the words of R4, and events of what commands do."""

from __future__ import annotations

import base64
import json
import os
import tarfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor
from service.errors import NotFound
from service.fhir.search_parameters import parse
from service.fhir.validation import issues_of
from service.storage.audit import Entry
from service.storage.records import Records
from service.usecases import resources
from service.usecases.audit import attended, audit_event
from service.usecases.summaries import summary_of

PERSON = Actor("t-1", "Ida Invented", "clinician", client="desk", source="192.0.2.7")
ACTS = ("create", "read", "vread", "history", "update", "delete", "search", "summary", "visit", "token", "request")


def entry(act: str, actor: Actor = PERSON, **more: Any) -> Entry:
    told = {"type": "Patient", "id": "a", "version": 1, "patients": ("a",), "outcome": "0", "query": ""} | more
    return Entry((1, 2), datetime(2026, 3, 1, 9, 0, tzinfo=UTC), actor, act, **told)


def codings(found: Any) -> list[tuple[str, str]]:
    """Every system and code in a resource."""
    if isinstance(found, list):
        return [pair for one in found for pair in codings(one)]
    if not isinstance(found, dict):
        return []
    own = [(found["system"], found["code"])] if {"system", "code"} <= set(found) else []
    return own + [pair for one in found.values() for pair in codings(one)]


EVENTS = [
    *(entry(act) for act in ACTS),
    entry("search", id="", version=0, patients=("a", "b"), query="name=x&_count=5"),
    entry("read", Actor("t-1", "", "", emergency="collapsed at the desk"), outcome="4"),
    entry("read", Actor("lab", "Laboratory", "system", client="lab"), outcome="8"),
    entry("request", Actor("unidentified", "", "", source="192.0.2.9"), type="", id="", version=0, patients=(),
          query="GET /fhir/Patient/a", outcome="4"),
]  # fmt: skip


@pytest.mark.parametrize("one", EVENTS, ids=lambda one: f"{one.act}-{one.outcome}-{one.actor.role}")
def test_every_event_is_valid_r4(one: Entry) -> None:
    assert [issue for issue in issues_of(audit_event(one)) if issue.severity in ("error", "fatal")] == []


def _published(root: Path) -> dict[str, set[str]]:
    """The codes of every code system in HL7's package hl7.fhir.r4.core 4.0.1."""
    package = Path(os.environ.get("HANDRECORD_TEST_DATA", root / "../shared/data")) / "hl7.fhir.r4.core-4.0.1.tgz"
    if not package.is_file():
        pytest.skip("the published package is not there; HANDRECORD_TEST_DATA names its folder")
    found: dict[str, set[str]] = {}

    def take(system: str, concepts: list[Any]) -> None:
        for concept in concepts:
            found.setdefault(system, set()).add(concept["code"])
            take(system, concept.get("concept", []))

    with tarfile.open(package) as archive:
        for name in archive.getnames():
            if name.startswith("package/CodeSystem-"):
                member = archive.extractfile(name)
                assert member is not None
                system = json.load(member)
                take(system["url"], system.get("concept", []))
    return found


def test_every_public_code_is_published(request: pytest.FixtureRequest) -> None:
    published = _published(Path(request.config.rootpath))
    used = {pair for one in EVENTS for pair in codings(audit_event(one)) if "hand-therapy-record" not in pair[0]}
    assert len(used) > 8
    assert {pair for pair in used if pair[1] not in published.get(pair[0], ())} == set()


def test_a_search_keeps_what_was_asked_and_lists_who_was_shown() -> None:
    found = audit_event(EVENTS[len(ACTS)])
    query = next(entity["query"] for entity in found["entity"] if "query" in entity)
    assert base64.b64decode(query) == b"Patient?name=x&_count=5"
    assert [e["what"]["reference"] for e in found["entity"] if "what" in e] == ["Patient/a", "Patient/b"]


def test_a_command_leaves_its_events(sqlite_records: Records) -> None:
    with sqlite_records.write(LOCAL) as writer:
        writer.update({"resourceType": "Patient", "id": "a"})
    with attended(sqlite_records, LOCAL), sqlite_records.read() as reader:
        summary_of(reader, LOCAL, "a")
    with pytest.raises(NotFound), attended(sqlite_records, LOCAL), sqlite_records.read() as reader:
        summary_of(reader, LOCAL, "none")
    with attended(sqlite_records, LOCAL):
        pass
    with sqlite_records.read() as reader:
        found = resources.search(reader, LOCAL, parse("AuditEvent", [("patient", "a")])).matches
        assert [one.resource["subtype"][0]["code"] for one in found] == ["summary", "create"]
        failed = resources.search(reader, LOCAL, parse("AuditEvent", [("outcome", "4")])).matches
        assert [one.resource["entity"][0]["what"]["reference"] for one in failed] == ["Patient/none"]
        assert reader.verify_events().faults == ()
