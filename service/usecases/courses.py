"""The course of therapy and the state of parts: what every reading is read against."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from service.domain.actor import Actor
from service.domain.anatomy import PartState
from service.domain.course import Course, require_lawful_course
from service.domain.precautions import Precaution
from service.errors import Conflict, Issue, NotFound
from service.fhir.course import (
    AFFECTED,
    DOMINANT,
    REFERENCE,
    STATE_PROFILE,
    from_condition,
    require_lawful_state,
    to_condition,
    to_episode_of_care,
)
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases import course_reading
from service.usecases.course_reading import claiming, courses_of, latest_course, precautions_of
from service.usecases.resources import create, update


def open_course(writer: Writer, actor: Actor, course: Course) -> Stored:
    """Write down that a patient's course of therapy began. The same again changes nothing, be it ended by now or not.

    Raises `Conflict` where the patient has another open course, or this one with other content.
    """
    every = courses_of(writer, course.patient)
    same = next((known for known in every if replace(known, id="", until=None) == course), None)
    if same:
        return writer.get("EpisodeOfCare", same.id)
    if any(known.until is None or known.since == course.since for known in every):
        message = "The record has this patient's course otherwise; what stands there is not overwritten."
        expected = "the course as the record has it, a change made to it, or its end before another begins"
        raise Conflict(Issue("conflict", message, "course", course.since.isoformat(), "course-of-record", expected))
    return create(writer, actor, to_episode_of_care(course)).stored


def change_course(writer: Writer, actor: Actor, course: Course, expected: int | None = None) -> Stored:
    """Put what is now known of the patient's open course in the place of what stood there, as a new version.

    Raises `NotFound` where no course is open, `PreconditionFailed` where another version than `expected` stands.
    """
    known = _open(writer, course.patient)
    return update(writer, actor, _restated(writer, known.id, course), expected=expected).stored


def close_course(
    writer: Writer, actor: Actor, patient: str, until: date, expected: int | None = None
) -> tuple[Stored, tuple[Precaution, ...]]:
    """Say which day was the last of the open course, or of the one that ended last.

    Returns it with the precautions that are still in force the day after: no precaution ends with a course. Raises
    `NotFound` where there is no course, `Invalid` for a day before it began, `PreconditionFailed` for another version.
    """
    known = latest_course(writer, patient) or _open(writer, patient)
    ended = replace(known, until=until)
    require_lawful_course(ended)
    stored = update(writer, actor, _restated(writer, known.id, ended), expected=expected).stored
    after = until + timedelta(1)
    return stored, tuple(p for p in precautions_of(writer, patient) if p.in_force(after))


def _open(reader: Reader, patient: str) -> Course:
    known = course_reading.course_of(reader, patient)
    if known is None:
        message = "This patient has no open course of therapy."
        raise NotFound(Issue("not-found", message, "course", patient, "open-course", "a course to be opened first"))
    return known


def _restated(reader: Reader, ident: str, course: Course) -> Json:
    """The resource of this id with the course as it is now; what it says beside the course stays."""
    before, made = reader.get("EpisodeOfCare", ident).resource, to_episode_of_care(course)
    others = [e for e in before.get("extension") or [] if e.get("url") not in (AFFECTED, REFERENCE, DOMINANT)]
    kept = {name: value for name, value in before.items() if name not in ("type", "extension", "text")}
    return {**kept, **made, "id": ident, "extension": [*made["extension"], *others]}


def course_of(reader: Reader, _actor: Actor, patient: str) -> Course | None:
    """The patient's open course of therapy, or None; `patient` is a reference."""
    return course_reading.course_of(reader, patient)


def record_state(writer: Writer, actor: Actor, patient: str, state: PartState) -> Stored:
    """Write down what state a part is in from a day on. The same statement again changes nothing."""
    require_lawful_state(state)
    for stored in claiming(writer, patient, "Condition", STATE_PROFILE):
        if from_condition(stored.resource) == state:
            return stored
    return create(writer, actor, to_condition(state, patient)).stored


def states_of(reader: Reader, _actor: Actor, patient: str) -> tuple[PartState, ...]:
    """Every state of a part that was written down for this patient."""
    return course_reading.states_of(reader, patient)
