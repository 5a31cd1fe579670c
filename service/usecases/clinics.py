"""Taking in what a clinic hands over: its people, their courses of therapy, the state of parts, orthoses, visits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from itertools import chain

from service.domain.actor import Actor
from service.domain.anatomy import PartState
from service.domain.course import Course
from service.domain.orthosis import OrthosisEpisode
from service.storage.records import Records, Writer
from service.usecases.course_input import Details
from service.usecases.course_record import record_details
from service.usecases.courses import open_course, record_state
from service.usecases.import_report import Report
from service.usecases.imports import Progress, Step, VisitOfFile, act, known_patient, run, visit_steps
from service.usecases.orthoses import record_orthosis
from service.usecases.people import require_same_person
from service.usecases.resources import create
from service.usecases.visit_input import Identifier, Person


@dataclass(frozen=True, slots=True)
class PatientOfClinic:
    """One patient as handed over. References to the patient are filled in when the patient is known."""

    place: str
    identifier: Identifier
    said: Mapping[str, str]
    course: Course | None = None
    parts: tuple[PartState, ...] = ()
    orthoses: tuple[OrthosisEpisode, ...] = ()
    details: Details = field(default_factory=Details)


@dataclass(frozen=True, slots=True)
class PractitionerOfClinic:
    """One practitioner as handed over."""

    place: str
    identifier: Identifier
    family: str
    given: str = ""


@dataclass(frozen=True, slots=True)
class Clinic:
    """Everything handed over in one file."""

    practitioners: tuple[PractitionerOfClinic, ...] = ()
    patients: tuple[PatientOfClinic, ...] = ()
    visits: tuple[VisitOfFile, ...] = ()


def import_clinic(
    records: Records,
    actor: Actor,
    clinic: Clinic,
    report: Report,
    *,
    create_patients: bool = False,
    progress: Progress = lambda done, total: None,
) -> Report:
    """Take in a clinic's people and what is known of them, then its visits. The same again changes nothing.

    Each person is written whole or not at all. A course that the record has otherwise is not overwritten.
    """
    report.rows = len(clinic.practitioners) + len(clinic.patients) + sum(len(v.places) for v in clinic.visits)
    people = [Step((p.place,), partial(_take_practitioner, actor, p, report)) for p in clinic.practitioners]
    people += [Step((p.place,), partial(_take_patient, actor, p, report, create_patients)) for p in clinic.patients]
    visits = visit_steps(actor, clinic.visits, report, create_patients=create_patients)
    return run(records, actor, chain(people, visits), report, progress)


def _take_practitioner(
    actor: Actor, given: PractitionerOfClinic, report: Report, writer: Writer, began: datetime
) -> Callable[[], None]:
    found = writer.by_identifier("Practitioner", *given.identifier)
    if found is None:
        system, value = given.identifier
        name = {"family": given.family, **({"given": [given.given]} if given.given else {})}
        identifier = {"system": system, "value": value}
        made = {"resourceType": "Practitioner", "identifier": [identifier], "name": [name]}
        found = create(writer, actor, made).stored
    else:
        require_same_person(found, {"family": given.family, "given": given.given})
    return partial(report.count, "Practitioner", act(found, began))


def _take_patient(
    actor: Actor, given: PatientOfClinic, report: Report, create_patients: bool, writer: Writer, began: datetime
) -> Callable[[], None]:
    named = Person(identifier=given.identifier)
    patient = known_patient(writer, actor, named, given.said, create_patients=create_patients)
    written = [patient]
    if given.course:
        written.append(open_course(writer, actor, replace(given.course, patient=patient.reference)))
    written += [record_state(writer, actor, patient.reference, state) for state in given.parts]
    written += record_details(writer, actor, patient.reference, given.details)
    for episode in given.orthoses:
        use = record_orthosis(writer, actor, replace(episode, patient=patient.reference))
        device = str(use.resource["device"]["reference"]).removeprefix("Device/")
        written += [use, writer.get("Device", device)]

    def tell() -> None:
        for stored in written:
            report.count_once(stored.reference, act(stored, began))

    return tell
