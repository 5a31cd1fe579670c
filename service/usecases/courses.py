"""The course of therapy and the state of parts: what every reading is read against."""

from __future__ import annotations

from service.domain.actor import Actor
from service.domain.anatomy import PartState
from service.domain.course import Course
from service.fhir.course import (
    STATE_PROFILE,
    from_condition,
    require_lawful_state,
    to_condition,
    to_episode_of_care,
)
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases import course_reading
from service.usecases.course_reading import claiming
from service.usecases.resources import create, update


def open_course(writer: Writer, actor: Actor, course: Course) -> Stored:
    """Write down a patient's course of therapy. A patient has one open course; the same again changes nothing."""
    known = course_of(writer, actor, course.patient)
    made = to_episode_of_care(course)
    if known is None:
        return create(writer, actor, made).stored
    if to_episode_of_care(known) == made:
        return writer.get("EpisodeOfCare", known.id)
    return update(writer, actor, {**made, "id": known.id}).stored


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
