"""Random lawful and unlawful histories of orthoses, through every door, against a model that knows nothing of FHIR.

Every change goes over HTTP to a real server: the episode's own addresses, and create, update, patch, batch and
transaction of /fhir. The model is a dozen lines of its own: which event may follow which, written down from the
requirements, and what two orthoses may do together now. The record judges the same from resources alone, replaying
whole histories.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, NamedTuple
from uuid import uuid4

import httpx
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from service.domain.actor import LOCAL
from service.domain.orthosis.design import Component, Design, Held
from service.domain.orthosis.episode import Check, Episode, Event, Exercise
from service.domain.orthosis.history import life_of
from service.domain.orthosis.regimens import Regimen
from service.fhir.canonical import code_system, profile
from service.fhir.orthosis import TYPES, claimed, to_resources
from service.fhir.text import dump
from service.settings import Settings
from service.storage.records import Records
from service.storage.stored import Stored
from service.usecases import orthoses
from service.usecases.orthosis_guard import Told
from service.web.app import create_app
from tests.web.conftest import RecordClient, serving

START = date(2026, 3, 1)
SYSTEM = "https://clinic.example/orthosis"

# Which states an event can happen in, and where it leads. "needs" is having been fitted or taken over.
_HERE = ("ready", "worn", "on-hold")
_EVER = ("planned", *_HERE, "ended")


def _same(*states: str) -> dict[str, str]:
    return {state: state for state in states}


MODEL: dict[str, tuple[dict[str, str], bool]] = {
    "ordered": (_same("planned", *_HERE), False),
    "made": ({"planned": "ready"}, False),
    "delivered": ({"planned": "ready", **_same(*_HERE)}, False),
    "fitted": ({"planned": "ready", "ready": "ready"}, False),
    "taken-over": ({"planned": "ready"}, False),
    "worn": (dict.fromkeys((*_HERE, "ended"), "worn"), True),
    "held": ({"worn": "on-hold"}, False),
    "ended": (dict.fromkeys(("planned", *_HERE), "ended"), False),
    "adjusted": (_same(*_HERE), False),
    "cut-in-halves": (_same(*_HERE), True),
    "component-added": (_same(*_HERE), False),
    "component-removed": (_same(*_HERE), False),
    "repaired": (_same(*_HERE), False),
    "checked": (_same(*_HERE, "ended"), True),
    "exercise": (_same(*_HERE, "ended"), False),
    "reviewed": (_same(*_EVER), False),
    "answered": (_same(*_HERE, "ended"), False),
    "entered-in-error": (dict.fromkeys(_EVER, "entered-in-error"), False),
}
# ServiceRequest, DeviceRequest and Device in each state, as the table in DEVELOPERS.md has them.
STATUS = {
    "planned": ("active", "active", "inactive"),
    "ready": ("active", "completed", "active"),
    "worn": ("active", "completed", "active"),
    "on-hold": ("on-hold", "completed", "active"),
    "ended": ("completed", "completed", "inactive"),
    "ended, never fitted": ("revoked", "revoked", "inactive"),
    "entered-in-error": ("entered-in-error", "entered-in-error", "entered-in-error"),
}
REGIMENS = [
    ("continuous", None),
    ("hours-a-day", Decimal(8)),
    ("hours-a-day", Decimal("12.5")),
    ("night", Decimal(10)),
    ("night", None),
    ("weaning", None),
]
DOORS = ["own", "create", "transaction", "batch"]
END_REASONS = ["goal-met", "replaced", "not-tolerated", "abandoned-before-fitting", "lost"]


class Step(NamedTuple):
    """Something that happens to an orthosis, or would: through which door, and the details that go with its kind."""

    kind: str
    door: str
    regimen: tuple[str, Decimal | None]
    reason: str
    flag: bool
    answers: int


OFTEN = [*(kind for kind in MODEL if kind != "entered-in-error")] * 2 + ["worn"] * 4 + ["fitted", "checked", "answered"]
STEP = st.builds(
    Step,
    st.sampled_from([*MODEL, *OFTEN]),
    st.sampled_from(DOORS),
    st.sampled_from(REGIMENS),
    st.sampled_from(END_REASONS),
    st.booleans(),
    st.integers(0, 3),
)


WEAR = STEP.map(lambda step: step._replace(kind="worn"))
TAKE_OVER = STEP.map(lambda step: step._replace(kind="taken-over"))
HOLD = STEP.map(lambda step: step._replace(kind="held"))
START_WITH = st.one_of(
    st.just([]), st.tuples(TAKE_OVER, WEAR), st.tuples(TAKE_OVER, WEAR), st.tuples(TAKE_OVER, WEAR, HOLD, WEAR)
).map(list)


@dataclass
class Known:
    """What the model knows of one orthosis."""

    key: str
    joint: str
    fixed: bool
    decided: date
    state: str = "planned"
    fitted: bool = False
    hours: Decimal | None = None
    events: int = 0
    component: bool = False
    flags: list[int] = field(default_factory=list)
    open_flags: set[int] = field(default_factory=set)
    id: str = ""


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time.min, UTC)


class Orthoses(RuleBasedStateMachine):
    """One patient's orthoses."""

    def __init__(self, records: Records, client: RecordClient) -> None:
        super().__init__()
        self.records, self.client = records, client
        self.patient = client.new_patient()[8:]
        self.known: dict[str, Known] = {}
        self.today = START

    @initialize(fixed=st.tuples(st.booleans(), st.booleans()), starts=st.tuples(START_WITH, START_WITH))
    def two_of_one_joint(self, fixed: tuple[bool, bool], starts: tuple[list[Step], list[Step]]) -> None:
        """Most histories begin with both orthoses fitted, so that wearing them together is tried often."""
        for one, door, steps in zip(fixed, ("own", "bundle"), starts, strict=True):
            self.begin("ring-pip", one, door)
            for step in steps:
                self._happen(list(self.known.values())[-1], step)

    # What may happen

    @rule(days=st.integers(0, 3))
    def time_goes_by(self, days: int) -> None:
        self.today += timedelta(days)

    @precondition(lambda self: len(self.known) < 4)
    @rule(joint=st.sampled_from(["ring-pip", "ring-mcp"]), fixed=st.booleans(), door=st.sampled_from(["own", "bundle"]))
    def begin(self, joint: str, fixed: bool, door: str) -> None:
        known = Known(f"{self.patient}-{len(self.known)}", joint, fixed, self.today)
        design = Design(
            "right", digits=("ring",), holds=(Held(joint, angle=Decimal(20)),), removable="no" if fixed else "yes"
        )
        episode = Episode((SYSTEM, known.key), f"Patient/{self.patient}", known.decided, design, name=known.key)
        if door == "own":
            known.id = self._begin_at_its_own_address(episode)
        else:
            known.id = self._begin_by_transaction(episode)
        self.known[known.key] = known

    def _begin_at_its_own_address(self, episode: Episode) -> str:
        (held,) = episode.design.holds
        design = {
            "side": "right",
            "digits": ["ring"],
            "holds": [{"joint": held.joint, "angle": 20}],
            "removable": episode.design.removable,
        }
        body = {
            "patient": {"id": self.patient},
            "key": {"system": SYSTEM, "value": episode.key[1]},
            "decided": episode.decided.isoformat(),
            "design": design,
            "name": episode.name,
        }
        answer = self.client.post("/orthosis-episodes", json=body)
        assert answer.status_code == 201, answer.text
        return str(answer.json()["id"])

    def _begin_by_transaction(self, episode: Episode) -> str:
        drafts = [str(uuid4()) for _ in range(3)]
        whole = Episode(
            episode.key, episode.patient, episode.decided, episode.design, name=episode.name,
            id=drafts[0], request_id=drafts[1], device_id=drafts[2],
        )  # fmt: skip
        made = to_resources(whole, life_of(whole))
        entries = [self._post(resource, drafts.pop(0)) for resource in made]
        for entry in entries:
            for based in entry["resource"].get("basedOn", []):
                based["reference"] = f"urn:uuid:{based['reference'].removeprefix('ServiceRequest/')}"
        answer = self.client.send_fhir("POST", "/fhir", dump(self._bundle(entries)))
        assert answer.status_code == 200, answer.text
        return str(answer.json()["entry"][0]["response"]["location"].partition("ServiceRequest/")[2].partition("/")[0])

    @staticmethod
    def _post(resource: dict[str, Any], ident: str) -> dict[str, Any]:
        return {
            "fullUrl": f"urn:uuid:{ident}",
            "resource": resource,
            "request": {"method": "POST", "url": resource["resourceType"]},
        }

    @staticmethod
    def _bundle(entries: list[dict[str, Any]]) -> dict[str, Any]:
        return {"resourceType": "Bundle", "type": "transaction", "entry": entries}

    @precondition(lambda self: self.known)
    @rule(chosen=st.integers(0, 3), steps=st.lists(STEP, min_size=8, max_size=24))
    def things_happen(self, chosen: int, steps: list[Step]) -> None:
        known = list(self.known.values())[chosen % len(self.known)]
        for step in steps:
            self._happen(known, step)

    def _happen(self, known: Known, step: Step) -> None:
        kind, door, flag = step.kind, step.door, step.flag
        flags = [*known.flags, 97]
        event = Event(
            kind,
            _midnight(self.today),
            day_only=True,
            by_name="A. Invented",
            note="seen to",
            regimen=Regimen(*step.regimen) if kind == "worn" else None,
            reason=step.reason if kind == "ended" else "",
            component=Component("block") if kind.startswith("component") else None,
            check=Check({"colour": "as the other hand"}, flag) if kind == "checked" else None,
            exercise=Exercise("ring-dip", 10) if kind == "exercise" else None,
            answers=flags[step.answers % len(flags)] if kind == "answered" else 0,
        )
        lawful = self._lawful(known, event)
        before = self._versions()
        if not self._through(door, known, event):
            assert not lawful, (known, event)
            assert self._versions() == before
            return
        assert lawful, (known, event)
        self._learn(known, event)

    @precondition(lambda self: self.known)
    @rule(data=st.data(), ahead=st.booleans(), door=st.sampled_from(DOORS))
    def something_out_of_time_is_refused(self, data: st.DataObject, ahead: bool, door: str) -> None:
        known = self.known[data.draw(st.sampled_from(sorted(self.known)))]
        day = datetime.now(UTC).date() + timedelta(3) if ahead else known.decided - timedelta(1)
        event = Event("reviewed", _midnight(day), day_only=True)
        before = self._versions()
        assert not self._through(door, known, event)
        assert self._versions() == before

    @precondition(lambda self: self.known)
    @rule(data=st.data(), how=st.sampled_from(["update", "patch", "delete", "put", "remove", "rewrite", "anew"]))
    def a_direct_change_is_refused(self, data: st.DataObject, how: str) -> None:
        key = data.draw(st.sampled_from(sorted(self.known)))
        with self.records.read() as reader:
            mine = [
                stored
                for kind in TYPES
                for stored in reader.of_patient(self.patient, kind)
                if claimed(stored.resource) and stored.resource["identifier"][0]["value"] == key
            ]
        stored = mine[data.draw(st.integers(0, len(mine) - 1))]
        before = self._versions()
        assert not self._change_directly(stored, how)
        assert self._versions() == before

    def _change_directly(self, stored: Stored, how: str) -> bool:
        """Whether a change was accepted that goes past the events."""
        address, changed = f"/fhir/{stored.reference}", {**stored.resource, "language": "en"}
        if how == "rewrite":  # the same resource without its profile: it would leave the episode
            del changed["meta"]
        if how == "anew":  # under an id that no resource has: it would enter the episode unasked
            changed["id"] = str(uuid4())
            address = f"/fhir/{stored.type}/{changed['id']}"
        if how == "patch":
            steps = json.dumps([{"op": "add", "path": "/language", "value": "en"}]).encode()
            headers = {"content-type": "application/json-patch+json"}
            return self._accepted(self.client.request("PATCH", address, content=steps, headers=headers))
        if how in ("put", "remove"):
            body = {"resource": changed} if how == "put" else {}
            request = {"method": "PUT" if how == "put" else "DELETE", "url": stored.reference}
            bundle = self._bundle([{**body, "request": request}])
            return self._accepted(self.client.send_fhir("POST", "/fhir", dump(bundle)))
        if how == "delete":
            return self._accepted(self.client.delete(address))
        return self._accepted(self.client.send_fhir("PUT", address, dump(changed)))

    @staticmethod
    def _accepted(answer: httpx.Response) -> bool:
        """Whether a request was granted; a refusal says why, and nothing else may come of it."""
        if answer.status_code in (200, 201):
            return True
        assert answer.status_code in (400, 409, 412, 422), answer.text
        assert answer.json()["issue"][0]["details"]["text"].endswith(".")
        return False

    @precondition(lambda self: any(known.events for known in self.known.values()))
    @rule(data=st.data(), door=st.sampled_from(DOORS))
    def the_last_event_is_taken_back_and_done_again(self, data: st.DataObject, door: str) -> None:
        known = self.known[data.draw(st.sampled_from(sorted(k for k, v in self.known.items() if v.events)))]
        with self.records.read() as reader:
            last = orthoses.read_episode(reader, LOCAL, known.id).episode.events[-1]
        if last.retracted or last.kind in ("checked", "answered"):
            return
        address = f"/orthosis-episodes/{known.id}/events/{last.place}/retraction"
        before = self._versions()
        answer = self.client.post(address, json={"reason": "recorded by mistake"})
        if not self._accepted(answer):  # without it, what came after could not have been worn beside this one
            assert any(rule in answer.text for rule in ("two-not-removable", "day-of-24-hours")), answer.text
            assert self._versions() == before
            return
        assert self._through(door, known, last)
        known.events += 1

    # The doors

    def _through(self, door: str, known: Known, event: Event) -> bool:
        """Whether an event was accepted through this door."""
        if door == "own":
            body = dump({"events": [self._as_sent(event)]})
            headers = {"content-type": "application/json"}
            address = f"/orthosis-episodes/{known.id}/events"
            return self._accepted(self.client.request("POST", address, content=body, headers=headers))
        resource = self._resource(known, event)
        if door == "create":
            return self._accepted(self.client.send_fhir("POST", f"/fhir/{resource['resourceType']}", dump(resource)))
        bundle = {**self._bundle([self._post(resource, str(uuid4()))]), "type": door}
        answer = self.client.send_fhir("POST", "/fhir", dump(bundle))
        if door == "transaction":
            return self._accepted(answer)
        assert answer.status_code == 200, answer.text
        return str(answer.json()["entry"][0]["response"]["status"]).startswith("201")

    @staticmethod
    def _as_sent(event: Event) -> dict[str, Any]:
        """The event as the episode's own address takes it."""
        found: dict[str, Any] = {"kind": event.kind, "at": event.day.isoformat(), "note": event.note}
        found |= {"by": {"name": event.by_name}} if event.by_name else {}
        if event.regimen:
            hours = {} if event.regimen.hours is None else {"hours": event.regimen.hours}
            found["regimen"] = {"wearing": event.regimen.wearing, **hours}
        found |= {"reason": event.reason} if event.reason else {}
        found |= {"component": {"name": event.component.name}} if event.component else {}
        if event.check:
            found["check"] = {"findings": dict(event.check.findings), "red_flag": event.check.red_flag}
        found |= {"exercise": {"leads": "ring-dip", "repetitions": 10}} if event.exercise else {}
        return found | ({"answers": event.answers} if event.answers else {})

    def _resource(self, known: Known, event: Event) -> dict[str, Any]:
        """The event as another program would write it, by hand."""
        shared: dict[str, Any] = {
            "identifier": [{"system": SYSTEM, "value": known.key}],
            "subject": {"reference": f"Patient/{self.patient}"},
            "basedOn": [{"reference": f"ServiceRequest/{known.id}"}],
            "note": [{"text": event.note or "no remark"}],
        }
        day = event.at.date().isoformat()
        if event.regimen:
            repeat: dict[str, Any] = {"boundsPeriod": {"start": day}}
            if event.regimen.hours is not None:
                repeat |= {"duration": event.regimen.hours, "durationUnit": "h"}
            wearing = {"coding": [{"system": code_system("wearing"), "code": event.regimen.wearing}]}
            with self.records.read() as reader:
                device = orthoses.read_episode(reader, LOCAL, known.id).episode.device_id
            return {
                "resourceType": "DeviceUseStatement",
                "meta": {"profile": [profile("orthosis-wearing")]},
                "status": "active",
                "timingTiming": {"repeat": repeat, "code": wearing},
                "device": {"reference": f"Device/{device}"},
                **shared,
            }
        found: dict[str, Any] = {
            "resourceType": "Procedure",
            "meta": {"profile": [profile("orthosis-event")]},
            "status": "completed",
            "code": {"coding": [{"system": code_system("orthosis-event"), "code": event.kind}]},
            "performedDateTime": day,
            "performer": [{"actor": {"display": event.by_name or "somebody"}}],
            **shared,
        }
        if event.reason:
            found["outcome"] = {"coding": [{"system": code_system("orthosis-end"), "code": event.reason}]}
        extension = self._details(event)
        return {**found, "extension": extension} if extension else found

    @staticmethod
    def _details(event: Event) -> list[dict[str, Any]]:
        extension: list[dict[str, Any]] = []
        if event.check:
            parts = [{"url": "item", "valueCode": "colour"}, {"url": "found", "valueString": "as the other hand"}]
            extension.append({"url": profile("orthosis-finding"), "extension": parts})
            if event.check.red_flag:
                extension.append({"url": profile("orthosis-red-flag"), "valueBoolean": True})
        if event.component:
            name = [{"url": "name", "valueString": event.component.name}]
            extension.append({"url": profile("orthosis-component-of-event"), "extension": name})
        if event.exercise:
            parts = [{"url": "leads", "valueString": "ring-dip"}, {"url": "repetitions", "valuePositiveInt": 10}]
            extension.append({"url": profile("orthosis-exercise"), "extension": parts})
        if event.answers:
            extension.append({"url": profile("orthosis-answers"), "valuePositiveInt": event.answers})
        return extension

    # The model

    def _lawful(self, known: Known, event: Event) -> bool:
        leads, needs = MODEL[event.kind]
        if known.state not in leads or (needs and not known.fitted):
            return False
        if event.kind == "ended":
            never = event.reason in ("abandoned-before-fitting", "replaced", "lost")
            return never if not known.fitted else event.reason != "abandoned-before-fitting"
        if event.kind == "answered":
            return event.answers in known.flags
        if event.kind.startswith("component"):
            return known.component == (event.kind == "component-removed")
        if event.kind == "worn" and event.regimen:
            return self._together(known, event.regimen.prescribed)
        return True

    def _together(self, known: Known, hours: Decimal | None) -> bool:
        others = [o for o in self.known.values() if o is not known and o.state == "worn" and o.joint == known.joint]
        if known.fixed and any(other.fixed for other in others):
            return False
        asked = [hours, *(other.hours for other in others)]
        total = sum((h for h in asked if h is not None), Decimal(0))
        return not others or not (total > 24 or (total == 24 and None in asked))

    def _learn(self, known: Known, event: Event) -> None:
        known.events += 1
        known.state = MODEL[event.kind][0][known.state]
        known.fitted = known.fitted or event.kind in ("fitted", "taken-over")
        if event.regimen:
            known.hours = event.regimen.prescribed
        if event.kind == "cut-in-halves":
            known.fixed = False
        if event.kind.startswith("component"):
            known.component = event.kind == "component-added"
        if event.check and event.check.red_flag:
            known.flags.append(known.events)
            known.open_flags.add(known.events)
        if event.answers:
            known.open_flags.discard(event.answers)

    # What holds at every moment

    def _versions(self) -> dict[str, int]:
        with self.records.read() as reader:
            return {s.reference: s.version for kind in TYPES for s in reader.of_patient(self.patient, kind)}

    def _told(self) -> dict[str, Told]:
        with self.records.read() as reader:
            return {told.episode.key[1]: told for told in orthoses.orthoses_of(reader, LOCAL, self.patient)}

    @invariant()
    def record_and_model_agree(self) -> None:
        """State, fitting, number of events, unanswered red flags, removability, and the statuses of the table."""
        told = self._told()
        assert told.keys() == self.known.keys()
        for key, known in self.known.items():
            life = told[key].life
            assert (life.state, life.fitted) == (known.state, known.fitted)
            assert len(told[key].episode.events) == known.events
            if known.state != "entered-in-error":
                assert {event.place for event in life.unanswered} == known.open_flags
            assert life.design.stays_on == known.fixed
            self._require_statuses(known, told[key].episode)

    def _require_statuses(self, known: Known, told: Episode) -> None:
        state = known.state
        row = STATUS["ended, never fitted" if state == "ended" and not known.fitted else state]
        ids = (known.id, told.request_id, told.device_id)
        kinds = ("ServiceRequest", "DeviceRequest", "Device")
        with self.records.read() as reader:
            assert tuple(reader.get(k, i).resource["status"] for k, i in zip(kinds, ids, strict=True)) == row


@pytest.fixture
def client(records: Records) -> Iterator[RecordClient]:
    """A client of a real server on the test's own record."""
    with serving(create_app(Settings(request_seconds=600), records)) as client:
        yield client


def test_histories_through_every_door(records: Records, client: RecordClient) -> None:
    """On both databases; every refusal leaves every version as it was. HANDRECORD_HISTORIES asks for more of them."""
    run_state_machine_as_test(
        lambda: Orthoses(records, client),
        settings=settings(
            max_examples=int(os.environ.get("HANDRECORD_HISTORIES", "8")),
            stateful_step_count=14,
            deadline=None,
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
        ),
    )
