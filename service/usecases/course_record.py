"""What belongs to a course of therapy: written down, read back, and shown together with what it means today."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from service.domain.achievement import Achievement, achievement_of
from service.domain.actor import Actor
from service.domain.anatomy import PartState, Site
from service.domain.course import Course, Elapsed, Injury, Operation, Referral, elapsed
from service.domain.goals import Goal
from service.domain.metric import Parameters
from service.domain.picture import Picture
from service.domain.precautions import Precaution, require_lawful_precaution
from service.errors import Invalid, Issue
from service.fhir.course import claims
from service.fhir.events import (
    to_injury,
    to_operation,
    to_referral,
)
from service.fhir.media import to_media
from service.fhir.plans import PRECAUTION_PROFILE, from_flag, to_flag, to_goal
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.computing import parameters_of
from service.usecases.course_input import Details
from service.usecases.course_reading import claiming, details_of, latest_course, precautions_of, states_of
from service.usecases.doors import enter_operation
from service.usecases.merged import record_of
from service.usecases.readings import measurements_of
from service.usecases.resources import create, update

Detail = Injury | Operation | Referral | Precaution | Goal | Picture


def record_for(writer: Writer, actor: Actor, patient: str, record: Callable[[str], Stored]) -> Stored:
    """Let `record` write something of a patient's course (by id); it is given the reference.

    Raises `Forbidden`, and `NotFound` or `Gone` for the patient.
    """
    with enter_operation(actor, "course-entry", patient) as door:
        stored = record_of(writer, patient)
        door.about(stored.id)
        return record(stored.reference)


def record_detail(writer: Writer, actor: Actor, patient: str, detail: Detail) -> Stored:
    """Write down one thing that belongs to a course; `patient` is a reference. The same again changes nothing."""
    made = _resource(detail, patient)
    profile = made["meta"]["profile"][0]
    for stored in claiming(writer, patient, str(made["resourceType"]), profile):
        if _content(stored.resource) == _content(made):
            return stored
    return create(writer, actor, made).stored


def record_details(writer: Writer, actor: Actor, patient: str, details: Details) -> list[Stored]:
    """Write down everything that belongs to a course."""
    every: tuple[Detail, ...] = (
        *details.injuries,
        *details.operations,
        *details.referrals,
        *details.precautions,
        *details.goals,
        *details.pictures,
    )
    return [record_detail(writer, actor, patient, detail) for detail in every]


def end_precaution(writer: Writer, actor: Actor, patient: str, ident: str, until: date, by: str) -> Stored:
    """Let a precaution hold up to and including a day, as somebody said. Raises `Invalid` for one that is none."""
    stored = writer.get("Flag", ident)
    resource = stored.resource
    if not claims(resource, PRECAUTION_PROFILE) or resource["subject"]["reference"] != patient:
        message = "This is no precaution of this patient."
        raise Invalid(Issue("value", message, "precaution", ident, "precaution-of-patient", "one of this patient's"))
    ended = replace(from_flag(resource), until=until, ended_by=by)
    require_lawful_precaution(ended)
    return update(writer, actor, {**resource, **to_flag(ended, patient), "id": ident}).stored


def _resource(detail: Detail, patient: str) -> Json:
    match detail:
        case Injury():
            return to_injury(detail, patient)
        case Operation():
            return to_operation(detail, patient)
        case Referral():
            return to_referral(detail, patient)
        case Precaution():
            return to_flag(detail, patient)
        case Goal():
            return to_goal(detail, patient)
        case Picture():
            return to_media(detail, patient)


def _content(resource: Json) -> Mapping[str, object]:
    return {name: each for name, each in resource.items() if name not in ("id", "meta", "text")}


@dataclass(frozen=True, slots=True)
class Minded:
    """A precaution in force that touches a place, and whether it names the kind of reading asked about."""

    precaution: Precaution
    names_kind: bool


def precautions_at(
    reader: Reader, actor: Actor, patient: str, day: date, place: Site | None = None, kind: str = ""
) -> tuple[Minded, ...]:
    """What is to be minded before a reading: the precautions in force on a day, at a place where one is given."""
    with enter_operation(actor, "precautions", patient) as door:
        stored = record_of(reader, patient)
        door.about(stored.id)
        every = [p for p in precautions_of(reader, stored.reference) if p.in_force(day)]
        touching = (p for p in every if place is None or p.touches(place))
        return tuple(Minded(p, bool(kind) and kind in p.kinds) for p in touching)


@dataclass(frozen=True, slots=True)
class ReferralShown:
    """A referral beside what it leaves out of what a referral should tell."""

    referral: Referral
    leaves_out: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class CourseShown:
    """A patient's course on one day: what is in force then, how long ago things happened, how the goals stand.

    `course` is the open one, else the one that ended last.
    """

    on: date
    course: Course | None
    injuries: tuple[Injury, ...]
    operations: tuple[Operation, ...]
    elapsed: tuple[Elapsed, ...]
    referrals: tuple[ReferralShown, ...]
    in_force: tuple[Precaution, ...]
    other_precautions: tuple[Precaution, ...]
    parts: tuple[PartState, ...]
    goals: tuple[Achievement, ...]
    pictures: tuple[Picture, ...]


def show_course(reader: Reader, actor: Actor, patient: str, day: date) -> CourseShown:
    """Everything about a patient's course (by id) on a day. Raises `NotFound` or `Gone`."""
    with enter_operation(actor, "course", patient) as door:
        stored = record_of(reader, patient)
        door.about(stored.id)
        return _shown(reader, stored, day)


def _shown(reader: Reader, stored: Stored, day: date) -> CourseShown:
    patient = stored.reference
    details, parts = details_of(reader, patient), states_of(reader, patient)
    readings = measurements_of(reader, patient)[0] if details.goals else []
    parameters = parameters_of(reader, stored, Parameters())
    return CourseShown(
        on=day,
        course=latest_course(reader, patient),
        injuries=details.injuries,
        operations=details.operations,
        elapsed=elapsed(details.injuries, details.operations, day),
        referrals=tuple(ReferralShown(each, each.leaves_out) for each in details.referrals),
        in_force=tuple(p for p in details.precautions if p.in_force(day)),
        other_precautions=tuple(p for p in details.precautions if not p.in_force(day)),
        parts=parts,
        goals=tuple(achievement_of(goal, readings, parts, parameters) for goal in details.goals),
        pictures=details.pictures,
    )
