"""One patient's hands, read from the record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from service.domain.actor import Actor
from service.domain.anatomy import SIDES, Side
from service.domain.course import Course
from service.domain.measurement import Measurement
from service.domain.metric import Parameters
from service.domain.summary import PatientSummary, summarise
from service.errors import Invalid
from service.fhir.reading import from_observation, is_panel, kind_claimed
from service.storage.records import Reader, Stored
from service.usecases.courses import course_of, states_of
from service.usecases.doors import enter_operation


def measurements_of(reader: Reader, _actor: Actor, patient: str) -> tuple[list[Measurement], dict[str, int]]:
    """Every reading of a patient, and how many other Observations were not used, by reason.

    An Observation that claims none of our profiles is never a reading, whatever its code says.
    """
    return _read(reader.of_patient(patient, "Observation"))


def _read(found: Iterable[Stored]) -> tuple[list[Measurement], dict[str, int]]:
    readings: list[Measurement] = []
    not_used: Counter[str] = Counter()
    for stored in found:
        resource = stored.resource
        if kind_claimed(resource) is None:
            if not is_panel(resource):
                not_used["not a reading of this record: it claims no profile of one"] += 1
            continue
        try:
            readings.append(from_observation(resource))
        except Invalid as error:
            not_used[f"not readable: {error.issues[0].message}"] += 1
    return readings, dict(not_used)


def summary_of(reader: Reader, actor: Actor, patient: str) -> PatientSummary:
    """What a clinician wants to see of one patient (by resource id). Raises `NotFound` or `Gone`."""
    with enter_operation(actor, "summary", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        return _summary(reader, actor, stored)


def _summary(reader: Reader, actor: Actor, stored: Stored) -> PatientSummary:
    readings, not_used = measurements_of(reader, actor, stored.id)
    course = course_of(reader, actor, stored.reference)
    return summarise(
        readings,
        states_of(reader, actor, stored.reference),
        _references(course),
        parameters=Parameters(dominant=(course.dominant if course else None) or ""),
        not_used=not_used,
    )


def _references(course: Course | None) -> dict[Side, bool]:
    """For each side, whether a clinician marked the other one as its reference."""
    if course is None or course.reference is None:
        return {}
    return {side: side != course.reference for side in SIDES}
