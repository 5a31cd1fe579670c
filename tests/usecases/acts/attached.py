"""An invented patient with everything attached, and one more; what happens to them is written by the use cases."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from service.domain.actor import LOCAL, Actor
from service.domain.anatomy import Site
from service.domain.course import Course
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.orthosis.dose import Wear
from service.domain.precautions import Precaution
from service.fhir import text
from service.fhir.text import Json
from service.storage.records import Records, Writer
from service.storage.stored import Stored
from service.usecases import orthoses, resources
from service.usecases.acts.deed import Outcome
from service.usecases.acts.forms import act_of
from service.usecases.course_record import record_detail
from service.usecases.courses import open_course
from service.usecases.metrics import store_derived
from service.usecases.signing import Signature, sign_visit
from service.usecases.visit_input import visit_of
from service.usecases.visits import record_visit
from tests.domain.orthosis.orthoses import CAST, episode, event, worn

WHERE = Path(__file__).parents[3]
"""The root of the repository."""
CLINICIAN = Actor("t-1", "T. Invented", "clinician")
KEY = ("https://clinic.example/orthosis", "cast 1")
FILE = "https://clinic.example/file"


def joint(side: str, name: str, motion: str, value: str, **more: Any) -> Json:
    return {
        "kind": "joint-motion", "side": side, "site": name, "motion": motion, "mode": "active",
        "orthosis_state": "free", "together": "together", "value": value, "unit": "deg", "convention": "named", **more,
    }  # fmt: skip


def arc(side: str, name: str, value: str) -> Json:
    return {**joint(side, name, "extension-flexion", value), "convention": "neutral-zero"}


def grip(side: str, *trials: str) -> Json:
    return {"kind": "grip-strength", "side": side, "site": "hand", "trials": list(trials), "unit": "kgf",
            "handle_position": "2", "posture": "seated-elbow-90", "orthosis_state": "free"}  # fmt: skip


FIST = Goal("make a fist", "patient", "flexion-active-free", Site("right", "index-pip"), Quantity(Decimal(100), "deg"))
LIFTING = Precaution("no lifting", "B. Invented", date(2026, 2, 1), (Site("right", "wrist"),))
FIRST = [
    arc("right", "index-mcp", "0-0-80"),
    arc("right", "index-pip", "0-20-90"),
    arc("right", "index-dip", "0-0-60"),
    grip("right", "20", "22", "21"),
    grip("left", "40", "41", "42"),
    joint("right", "ring-pip", "flexion", "45", orthosis_state="in-orthosis", mode="passive", together="alone",
          orthosis={"system": KEY[0], "value": KEY[1]}),
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Attached:
    """What was attached: ids by what they are. `first` and `second` are visits; the first is signed."""

    records: Records
    first: str
    second: str
    episode: str
    documents: dict[str, str]

    def acts(self, document: Json, actor: Actor = LOCAL) -> Outcome:
        """Look at an act, then carry it out."""
        looked = self.plan(document, actor)
        return act_of({**document, "seen": looked.seen}).carried_out(self.records, actor, None)

    def plan(self, document: Json, actor: Actor = LOCAL) -> Outcome:
        """Look at an act."""
        return act_of(document).carried_out(self.records, actor, None)

    def undo(self, outcome: Outcome) -> Outcome:
        """Undo an act."""
        return self.acts({"act": "undo", "undone": outcome.id, "reason": "It was right before."})

    def written(self, document: Json) -> str:
        """What asks for an act, as text."""
        return text.dump(document).decode()

    def of(self, patient: str, kind: str = "Observation") -> list[Stored]:
        """The present resources of a patient."""
        with self.records.read() as reader:
            return list(reader.of_patient(patient, kind))

    def reading(self, code: str, visit: str = "", patient: str = "made-up") -> Stored:
        """The reading of a code that counts."""
        visit = visit or self.first
        (found,) = (
            each
            for each in self.of(patient)
            if each.resource["code"]["coding"][0]["code"] == code
            and each.resource["status"] != "entered-in-error"
            and each.resource.get("encounter", {}).get("reference") == f"Encounter/{visit}"
        )
        return found

    def read(self, kind: str, ident: str) -> Json:
        """A resource as it stands."""
        with self.records.read() as reader:
            return reader.get(kind, ident).resource

    def do(self, job: Callable[[Writer], Any], actor: Actor = LOCAL) -> Any:
        """Something else that happens, in a transaction of its own."""
        with self.records.write(actor) as writer:
            return job(writer)

    def sign(self, visit: str, actor: Actor = LOCAL) -> Signature:
        """Sign a visit."""
        signed: Signature = self.do(lambda writer: sign_visit(writer, actor, visit), actor)
        return signed

    def contents(self) -> dict[str, Json]:
        """All that stands in the record but who did what, without versions, and what was withdrawn by derivation."""
        found = {}
        with self.records.read() as reader:
            for kind in (*KINDS, "Patient"):
                for patient in ("made-up", "other"):
                    for stored in reader.of_patient(patient, kind):
                        found[stored.reference] = plain(stored)
        return found


KINDS = (
    "Observation", "Encounter", "EpisodeOfCare", "Flag", "Goal", "ServiceRequest", "DeviceRequest", "Device",
    "DeviceUseStatement", "Procedure", "ChargeItem", "DocumentReference", "Composition", "DiagnosticReport", "Task",
)  # fmt: skip


def plain(stored: Stored) -> Json:
    """A resource without its version, and with the versions it names left out."""
    resource = stored.resource
    meta = {name: value for name, value in resource["meta"].items() if name not in ("versionId", "lastUpdated")}
    written = text.dump({**resource, "meta": meta}).decode()
    return text.parse(re.sub(r"/_history/\d+", "", written))


def visit(
    records: Records, readings: list[Json], day: int, patient: str = "made-up", actor: Actor = LOCAL, **more: Any
) -> str:
    """A visit in March 2026; the id of its Encounter."""
    said = {
        "patient": {"id": patient}, "when": f"2026-03-{day:02}T09:30:00+01:00", "by": {"name": "A. Invented"},
        "readings": readings, **more,
    }  # fmt: skip
    with records.write(actor) as writer:
        return record_visit(writer, actor, visit_of(said, None)).encounter.id


def person(writer: Writer, ident: str, **more: Any) -> None:
    """An invented patient."""
    identifier = [{"system": FILE, "value": ident}]
    resources.update(writer, LOCAL, {"resourceType": "Patient", "id": ident, "identifier": identifier, **more})


def attached(records: Records) -> Attached:
    """Write everything down."""
    with records.write(LOCAL) as writer:
        person(writer, "made-up", gender="female", birthDate="1990-05-01")
        person(writer, "other", gender="female")
        open_course(writer, LOCAL, Course("Patient/made-up", date(2026, 2, 1), ("right",), "left", "right"))
        record_detail(writer, LOCAL, "Patient/made-up", LIFTING)
        goal = Goal(
            "make a fist", "patient", "flexion-active-free", Site("right", "index-pip"), Quantity(Decimal(100), "deg")
        )
        record_detail(writer, LOCAL, "Patient/made-up", goal)
        made = replace(episode(event("fitted", 1), worn(1), design=CAST), patient="Patient/made-up")
        orthosis = orthoses.begin(writer, LOCAL, made).episode.id
    first = visit(records, FIRST, 2)
    second = visit(records, [grip("right", "25", "26", "27"), grip("left", "41", "41", "42")], 9)
    with records.write(LOCAL) as writer:
        orthoses.record_wear(writer, LOCAL, orthosis, [Wear(date(2026, 3, 3), Decimal("21.5"), "reported", "patient")])
        sign_visit(writer, LOCAL, first)
        store_derived(writer, LOCAL, "made-up")
        documents = {each["resourceType"]: _document(writer, each) for each in _documents(writer, first, orthosis)}
    return Attached(records, first, second, orthosis, documents)


def _document(writer: Writer, resource: Json) -> str:
    return resources.create(writer, LOCAL, resource).stored.id


def _documents(writer: Writer, first: str, orthosis: str) -> list[Json]:
    subject = {"reference": "Patient/made-up"}
    found = list(writer.of_patient("made-up", "Observation"))
    flexion = next(
        o.reference for o in found if "flexion-active" in o.body.decode() and "right-index-pip" in o.body.decode()
    )
    (derived, *_) = (o.reference for o in found if b'"total-active-motion"' in o.body)
    letter = {"text": "letter"}
    return [
        {"resourceType": "DocumentReference", "status": "current", "subject": subject,
         "content": [{"attachment": {"title": "letter"}}], "context": {"related": [{"reference": flexion}]}},
        {"resourceType": "Composition", "status": "final", "type": letter, "subject": subject, "date": "2026-03-09",
         "author": [{"display": "A. Invented"}], "title": "Letter",
         "section": [{"title": "motion", "entry": [{"reference": derived}]}]},
        {"resourceType": "DiagnosticReport", "status": "final", "code": letter, "subject": subject,
         "result": [{"reference": derived}]},
        {"resourceType": "ChargeItem", "status": "billable", "code": {"text": "made-up"}, "subject": subject,
         "context": {"reference": f"Encounter/{first}"}, "supportingInformation": [{"reference": flexion}]},
        {"resourceType": "Task", "status": "completed", "intent": "order", "for": subject,
         "focus": {"reference": f"ServiceRequest/{orthosis}"}},
    ]  # fmt: skip
