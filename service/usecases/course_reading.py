"""What stands in the record of a patient's course: read back, nothing written."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from typing import TypeVar

from service.domain.anatomy import PartState
from service.domain.background import Background
from service.domain.course import Course, Injury, Operation
from service.domain.precautions import Precaution
from service.fhir.course import COURSE_PROFILE, STATE_PROFILE, claims, from_condition, from_episode_of_care
from service.fhir.events import (
    INJURY_PROFILE,
    OPERATION_PROFILE,
    REFERRAL_PROFILE,
    from_injury,
    from_operation,
    from_referral,
)
from service.fhir.media import PICTURE_PROFILE, from_media
from service.fhir.plans import GOAL_PROFILE, PRECAUTION_PROFILE, from_flag, from_goal
from service.fhir.text import Json
from service.storage.records import Reader
from service.storage.stored import Stored
from service.usecases.course_input import Details

Made = TypeVar("Made")
_WITHDRAWN = ("entered-in-error", "revoked", "cancelled")


def claiming(reader: Reader, patient: str, kind: str, profile: str) -> Iterator[Stored]:
    """What a patient has of one type that claims a profile and was not withdrawn; `patient` is a reference or an id."""
    for stored in reader.of_patient(patient.removeprefix("Patient/"), kind):
        if claims(stored.resource, profile) and not _is_withdrawn(stored.resource):
            yield stored


def _is_withdrawn(resource: Json) -> bool:
    verified = (resource.get("verificationStatus") or {}).get("coding") or [{}]
    said = (resource.get("status"), resource.get("lifecycleStatus"), verified[0].get("code"))
    return any(each in _WITHDRAWN for each in said)


def _all(reader: Reader, patient: str, kind: str, profile: str, read: Callable[[Json], Made]) -> tuple[Made, ...]:
    return tuple(read(stored.resource) for stored in claiming(reader, patient, kind, profile))


def precautions_of(reader: Reader, patient: str) -> tuple[Precaution, ...]:
    """Every precaution of a patient, whether it is in force or not."""
    return _all(reader, patient, "Flag", PRECAUTION_PROFILE, from_flag)


def injuries_of(reader: Reader, patient: str) -> tuple[Injury, ...]:
    """Every injury, and illness treated, of a patient."""
    return _all(reader, patient, "Condition", INJURY_PROFILE, from_injury)


def operations_of(reader: Reader, patient: str) -> tuple[Operation, ...]:
    """Every operation of a patient."""
    return _all(reader, patient, "Procedure", OPERATION_PROFILE, from_operation)


def details_of(reader: Reader, patient: str) -> Details:
    """What belongs to a patient's course, as it was written down."""
    return Details(
        injuries=injuries_of(reader, patient),
        operations=operations_of(reader, patient),
        referrals=_all(reader, patient, "ServiceRequest", REFERRAL_PROFILE, from_referral),
        precautions=precautions_of(reader, patient),
        goals=_all(reader, patient, "Goal", GOAL_PROFILE, from_goal),
        pictures=_all(reader, patient, "Media", PICTURE_PROFILE, from_media),
    )


def background_of(reader: Reader, patient: str, day: date) -> Background:
    """What a patient's results are read against on a day; `patient` is a reference."""
    return Background(
        day,
        injuries_of(reader, patient),
        operations_of(reader, patient),
        precautions_of(reader, patient),
        latest_course(reader, patient),
    )


def states_of(reader: Reader, patient: str) -> tuple[PartState, ...]:
    """Every state of a part that was written down for a patient."""
    return _all(reader, patient, "Condition", STATE_PROFILE, from_condition)


def course_of(reader: Reader, patient: str) -> Course | None:
    """The patient's open course of therapy, or None; `patient` is a reference or an id."""
    return next((course for course in courses_of(reader, patient) if course.until is None), None)


def latest_course(reader: Reader, patient: str) -> Course | None:
    """The patient's open course, else the one that ended last: what was marked in it holds for its readings."""
    every = courses_of(reader, patient)
    return max(every, key=lambda course: (course.until is None, course.until or date.min), default=None)


def courses_of(reader: Reader, patient: str) -> tuple[Course, ...]:
    """The patient's courses of therapy, open or ended; `patient` is a reference or an id."""
    return tuple(
        from_episode_of_care(stored.resource)
        for stored in reader.of_patient(patient.removeprefix("Patient/"), "EpisodeOfCare")
        if claims(stored.resource, COURSE_PROFILE) and stored.resource.get("status") in ("active", "finished")
    )
