"""Who did what: written down from what passed the doors, served as AuditEvent, and checked."""

from __future__ import annotations

import base64
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from service.domain.actor import Actor
from service.fhir.canonical import code_system
from service.fhir.search_parameters import Query
from service.fhir.text import Json, dump
from service.storage.audit import Entry
from service.storage.audit_chain import Event
from service.storage.audit_log import EventLog
from service.storage.records import Page, Reader, Records, Stored
from service.usecases.doors import Passage, watched

_ACTION = {
    "create": "C", "read": "R", "vread": "R", "history": "R", "update": "U", "delete": "D", "visit": "C",
    "orthosis-events": "C",
}  # fmt: skip
_ON_THE_WIRE = {"create", "read", "vread", "history", "update", "delete", "search"}


def events_of(actor: Actor, passages: Iterable[Passage], *, failed: bool) -> list[Event]:
    """What must still be written down of a request; `failed`: it was answered with an error.

    A change that was carried out has written its event itself; one that was undone with its transaction has not.
    """
    now = time.time_ns() // 1000
    return [
        Event(
            now, actor, one.act, one.type, one.id, one.version, tuple(one.patients),
            "4" if failed and one.outcome == "0" else one.outcome, one.query,
        )
        for one in passages
        if failed or not one.written
    ]  # fmt: skip


def refusal_of(actor: Actor, act: str, outcome: str, query: str = "") -> Event:
    """What is written down of a request that came to no door."""
    return Event(time.time_ns() // 1000, actor, act, outcome=outcome, query=query)


@contextmanager
def attended(records: Records, actor: Actor) -> Iterator[None]:
    """Write down what passes the doors in this block, when it is left: for commands, which no middleware watches."""
    failed = True
    log = EventLog(records)
    with watched() as visitors:
        try:
            yield
            failed = False
        finally:
            events = events_of(actor, visitors.passages, failed=failed)
            if events:
                log.put(events).result()
            log.close()


def read(reader: Reader, ident: str) -> Stored:
    """One event as an AuditEvent. Raises `NotFound`."""
    return _stored(reader.event(ident))


def search(reader: Reader, query: Query) -> Page:
    """A page of events, newest first. Raises `Invalid` for a parameter that events are not searched by."""
    found = reader.events(query)
    return Page(tuple(_stored(entry) for entry in found.entries), found.total, found.next)


def _stored(entry: Entry) -> Stored:
    body = dump(audit_event(entry))
    return Stored("AuditEvent", entry.key, 1, entry.at, False, "create", body, "")


def audit_event(entry: Entry) -> Json:
    """An event in the words of https://hl7.org/fhir/R4/auditevent.html."""
    resource: Json = {
        "resourceType": "AuditEvent",
        "id": entry.key,
        "meta": {"versionId": "1", "lastUpdated": _instant(entry)},
        "type": {"system": "http://terminology.hl7.org/CodeSystem/audit-event-type", "code": "rest"},
        "subtype": [_subtype(entry.act)],
        "action": _ACTION.get(entry.act, "E"),
        "recorded": _instant(entry),
        "outcome": entry.outcome,
    }
    if entry.actor.emergency:
        reason = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "BTG"}
        resource["purposeOfEvent"] = [{"coding": [reason], "text": entry.actor.emergency}]
    resource["agent"] = list(_agents(entry.actor))
    resource["source"] = {
        "observer": {"display": "Hand-therapy record"},
        "type": [{"system": "http://terminology.hl7.org/CodeSystem/security-source-type", "code": "4"}],
    }
    entities = list(_entities(entry))
    return resource | ({"entity": entities} if entities else {})


def _instant(entry: Entry) -> str:
    return entry.at.isoformat(timespec="microseconds").replace("+00:00", "Z")


def _subtype(act: str) -> Json:
    if act in _ON_THE_WIRE:
        return {"system": "http://hl7.org/fhir/restful-interaction", "code": act}
    return {"system": code_system("audit-act"), "code": act}


def _agents(actor: Actor) -> Iterator[Json]:
    who: Json = {"reference": actor.reference}
    if actor.name:
        who["display"] = actor.name
    agent: Json = {"who": who, "altId": actor.id, "requestor": True}
    if actor.role:
        agent["role"] = [{"coding": [{"system": code_system("role"), "code": actor.role}]}]
    if actor.source:
        agent["network"] = {"address": actor.source, "type": "2"}
    yield agent
    if actor.client and actor.role != "system":
        yield {"who": {"display": actor.client}, "altId": actor.client, "requestor": False}


def _entities(done: Entry) -> Iterator[Json]:
    kinds = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
    roles = "http://terminology.hl7.org/CodeSystem/object-role"
    if done.type and done.id:
        version = f"/_history/{done.version}" if done.version else ""
        yield {
            "what": {"reference": f"{done.type}/{done.id}{version}"},
            "type": {"system": kinds, "code": "2"},
            "role": {"system": roles, "code": "4"},
        }
    elif done.query or done.type:
        asked = f"{done.type}?{done.query}" if done.type else done.query
        yield {
            "type": {"system": kinds, "code": "2"},
            "role": {"system": roles, "code": "24"},
            "query": base64.b64encode(asked.encode()).decode(),
        }
    for patient in done.patients:
        yield {
            "what": {"reference": f"Patient/{patient}"},
            "type": {"system": kinds, "code": "1"},
            "role": {"system": roles, "code": "1"},
        }
