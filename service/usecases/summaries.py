"""One patient's hands, read from the record."""

from __future__ import annotations

from datetime import UTC, datetime

from service.domain.actor import Actor
from service.domain.anatomy import SIDES, Side
from service.domain.course import Course
from service.domain.metric import Parameters
from service.domain.orthosis.episode import Event
from service.domain.orthosis.life import RedFlag, unanswered
from service.domain.summary import PatientSummary, summarise
from service.fhir.orthosis.episode import key_of
from service.fhir.orthosis.events import from_procedure
from service.fhir.orthosis.names import claimed
from service.storage.records import Reader, Stored
from service.usecases.course_reading import background_of, latest_course, states_of
from service.usecases.doors import enter_operation
from service.usecases.merged import record_of
from service.usecases.readings import measurements_of


def summary_of(reader: Reader, actor: Actor, patient: str) -> PatientSummary:
    """What a clinician wants to see of one patient (by resource id). Raises `NotFound` or `Gone`."""
    with enter_operation(actor, "summary", patient) as door:
        stored = record_of(reader, patient)
        door.about(stored.id)
        return _summary(reader, stored)


def _summary(reader: Reader, stored: Stored) -> PatientSummary:
    readings, not_used = measurements_of(reader, stored.id)
    course = latest_course(reader, stored.reference)
    return summarise(
        readings,
        states_of(reader, stored.reference),
        _references(course),
        parameters=Parameters(dominant=(course.dominant if course else None) or ""),
        not_used=not_used,
        background=background_of(reader, stored.reference, datetime.now(UTC).date()),
        red_flags=red_flags_of(reader, stored.id),
    )


def red_flags_of(reader: Reader, patient: str) -> list[RedFlag]:
    """Checks of a patient (by id) that raised a red flag and that nobody has answered; the events alone tell."""
    events: dict[tuple[str, str], list[Event]] = {}
    for stored in reader.of_patient(patient, "Procedure"):
        resource = stored.resource
        if claimed(resource) and resource.get("status") != "entered-in-error":
            event = from_procedure(resource)
            if not event.retracted:
                events.setdefault(key_of(resource), []).append(event)
    return [RedFlag.of(key, event) for key, found in events.items() for event in unanswered(found)]


def _references(course: Course | None) -> dict[Side, bool]:
    """For each side, whether a clinician marked the other one as its reference."""
    if course is None or course.reference is None:
        return {}
    return {side: side != course.reference for side in SIDES}
