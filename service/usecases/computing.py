"""Results of metrics from what stands in one patient's record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from service.domain.anatomy import SIDES
from service.domain.metric import Metric, Parameters, Result
from service.storage.records import Reader
from service.storage.stored import Stored
from service.usecases.course_reading import latest_course, states_of
from service.usecases.readings import measurements_of

WITHDRAWN = ("entered-in-error", "cancelled")
"""The statuses of readings that count for nothing."""


@dataclass(frozen=True, slots=True)
class Found:
    """Results, the parameters they were computed with, and how many Observations could not be used, by reason."""

    results: tuple[Result, ...]
    parameters: Parameters
    not_used: Mapping[str, int]


def compute(reader: Reader, patient: Stored, metrics: Iterable[Metric], asked: Parameters) -> Found:
    """The results of a patient's readings; what was asked for is completed with what the record knows of the person."""
    readings, not_used = measurements_of(reader, patient.id)
    used = sorted((m for m in readings if m.circumstances.status not in WITHDRAWN), key=lambda m: m.circumstances.taken)
    states = states_of(reader, patient.reference)
    parameters = parameters_of(reader, patient, asked)
    results = tuple(result for metric in metrics for result in metric.compute(used, states, parameters))
    return Found(results, parameters, not_used)


def parameters_of(reader: Reader, patient: Stored, asked: Parameters) -> Parameters:
    """What was asked for, completed with what the record knows of the person and of the latest course of therapy."""
    course = latest_course(reader, patient.reference)
    reference = course.reference if course else None
    marked = frozenset(side for side in SIDES if reference and side != reference)
    person = patient.resource
    dominant = (course.dominant if course else None) or ""
    return replace(
        asked,
        reference_for=marked,
        dominant=dominant,
        sex=str(person.get("gender", "")),
        born=_day(str(person.get("birthDate", ""))),
    )


def _day(written: str) -> date | None:
    """A date of birth that is known to the day; a year or month alone does not give an age."""
    return date.fromisoformat(written) if len(written) == len("2026-01-31") else None
