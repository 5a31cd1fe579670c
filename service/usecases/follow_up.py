"""What a course came to: the response to the orthosis, the course in short, and nerves after their repair."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from service.domain.actor import Actor
from service.domain.change.answers import aims_of
from service.domain.change.comparable import Trajectory
from service.domain.change.course_summary import CourseSummary, summary_of
from service.domain.change.nerve_follow_up import NerveFollowUp, follow_ups
from service.domain.change.patterns import PatternResponse, patterns_of
from service.domain.change.response import Response, responses_of
from service.storage.records import Reader
from service.usecases.change import Asked, Gathered, Told, gather
from service.usecases.change_clinic import ChangeRules
from service.usecases.course_reading import latest_course, operations_of
from service.usecases.doors import enter_operation


@dataclass(frozen=True, slots=True)
class ToldResponse(Told):
    """In the orthosis, just out of it, and free: measures, and movement patterns."""

    answer: tuple[Response, ...]
    patterns: tuple[PatternResponse, ...]


@dataclass(frozen=True, slots=True)
class ToldCourse(Told):
    """The course in short."""

    answer: CourseSummary


@dataclass(frozen=True, slots=True)
class ToldNerves(Told):
    """Each nerve that was repaired, or whose sign was looked for."""

    answer: tuple[NerveFollowUp, ...]


def orthosis_response(
    reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date
) -> ToldResponse:
    """Gains by state of the orthosis side by side, carry-over, and what was left after removal.

    Raises `NotFound`, `Gone`, `Forbidden` or `Malformed`.
    """
    asked.require_lawful()
    with enter_operation(actor, "change", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        found = responses_in(record, asked, today)
        patterns = () if asked.measure else _patterns(record, asked)
        return ToldResponse(stored.reference, record.precautions, record.not_used, record.notes, found, patterns)


def responses_in(record: Gathered, asked: Asked, today: date) -> tuple[Response, ...]:
    """The responses of the lines asked for."""
    lines = [line.between(asked.since) for line in record.chosen(asked)]
    last = asked.until or today
    return responses_of(lines, record.worn, lambda line: record.phases(line, asked, last))


def _patterns(record: Gathered, asked: Asked) -> tuple[PatternResponse, ...]:
    found = patterns_of(record.readings, record.states)
    return tuple(p for p in found if asked.site in ("", p.site.code, p.site.key))


def course_in_short(
    reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date
) -> ToldCourse:
    """The course in short: of what is asked for, else of the measures of goals, else of total active motion.

    Raises `NotFound`, `Gone`, `Forbidden` or `Malformed`.
    """
    asked.require_lawful()
    with enter_operation(actor, "change", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        chosen = record.chosen(asked)
        lines = chosen if asked.measure or asked.site else (headline_lines(record, asked) or chosen)
        course = latest_course(reader, stored.reference)
        found = summary_of(lines, record.every, record.goals, course, asked.until or today)
        return ToldCourse(stored.reference, record.precautions, record.not_used, record.notes, found)


def headline_lines(record: Gathered, asked: Asked) -> tuple[Trajectory, ...]:
    """The measures of goals on record; without one, total active motion with no orthosis on."""
    chosen = record.chosen(asked)
    aimed = tuple(line for line in chosen if aims_of(line, record.goals))
    return aimed or tuple(
        line
        for line in chosen
        if line.measure == "total-active-motion" and line.conditions.get("orthosis_state") in ("free", "unknown")
    )


def nerve_follow_up(
    reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date
) -> ToldNerves:
    """Each nerve from its repair on. Raises `NotFound`, `Gone`, `Forbidden` or `Malformed`."""
    asked.require_lawful()
    with enter_operation(actor, "change", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        found = nerves_in(reader, record, asked.until or today)
        chosen = tuple(n for n in found if asked.site in ("", n.nerve.code, n.nerve.key))
        return ToldNerves(stored.reference, record.precautions, record.not_used, record.notes, chosen)


def nerves_in(reader: Reader, record: Gathered, last: date) -> tuple[NerveFollowUp, ...]:
    """The nerves of a record up to a day."""
    operations = operations_of(reader, record.patient.reference)
    return follow_ups(record.every, record.readings, operations, last, record.states)
