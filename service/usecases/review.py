"""Review points of a patient, and that a named person has seen one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime

from service.domain.actor import Actor
from service.domain.change.answers import trending_of
from service.domain.change.carry_over import IN, STATE
from service.domain.change.patterns import patterns_of
from service.domain.change.review_points import Evidence, ReviewPoints, points_of, review
from service.errors import Forbidden, Issue, NotFound
from service.fhir.acknowledgement import Acknowledged, from_acknowledgement, to_acknowledgement
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.change import Asked, Gathered, Told, gather
from service.usecases.change_clinic import ChangeRules
from service.usecases.doors import enter_operation
from service.usecases.follow_up import headline_lines, nerves_in, responses_in


@dataclass(frozen=True, slots=True)
class ToldReview(Told):
    """The review points of a patient, and what was acknowledged so far, the last first."""

    answer: ReviewPoints
    acknowledged: tuple[Acknowledged, ...]


def review_points(
    reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date
) -> ToldReview:
    """What the numbers of a patient show that nobody has acknowledged yet, safety first.

    Raises `NotFound`, `Gone`, `Forbidden` or `Malformed`.
    """
    asked.require_lawful()
    with enter_operation(actor, "review", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        known = sorted(_acknowledged(reader, patient), key=lambda pair: pair[1].at, reverse=True)
        marks = [told.mark for _, told in known]
        found = review(_evidence(reader, record, rules, today), record.precautions, marks, rules.most_points)
        return ToldReview(
            stored.reference, record.precautions, record.not_used, record.notes, found, tuple(told for _, told in known)
        )


def acknowledge(
    writer: Writer, actor: Actor, patient: str, mark: str, note: str, rules: ChangeRules, today: date
) -> Stored:
    """Write down that this person has seen a review point. The same again changes nothing.

    Raises `Forbidden` for a program or somebody without a name, `NotFound` for a mark that no point has now.
    """
    if actor.role == "system" or not actor.name.strip():
        raise Forbidden(Issue("forbidden", "A review point is acknowledged by a named person.", rule="named-person"))
    with enter_operation(actor, "review-acknowledgement", patient) as door:
        stored = writer.get("Patient", patient)
        door.about(patient)
        for known, told in _acknowledged(writer, patient):
            if told.mark == mark:
                return known
        record = gather(writer, stored, rules, Asked(), today)
        point = next((p for p in points_of(_evidence(writer, record, rules, today)) if p.mark == mark), None)
        if point is None:
            message = "No review point of this patient has this mark now: what it rested on has changed, or never was."
            raise NotFound(Issue("not-found", message, "point", mark, "review-point", "a mark of the points shown"))
        readings = [each for each in point.rests_on if each.startswith("Observation/")]
        made = to_acknowledgement(
            stored.reference, mark, point.statement, readings, actor, datetime.now(UTC), note.strip()
        )
        written = writer.create(made)
        door.passage.written = True
        return written


def _acknowledged(reader: Reader, patient: str) -> Iterator[tuple[Stored, Acknowledged]]:
    for stored in reader.pointing("Provenance", "target", "Patient", [patient]):
        told = from_acknowledgement(stored.resource)
        if told:
            yield stored, told


def _evidence(reader: Reader, record: Gathered, rules: ChangeRules, today: date) -> Evidence:
    """An angle read in an orthosis is no loss and no gain of free motion: only what carries over is told of it."""
    asked = Asked()
    lines = [line for line in record.every if line.conditions.get(STATE) != IN]
    trending = [
        trending_of(
            line,
            record.every,
            record.phases(line, asked, today),
            goals=record.goals,
            rates=rules.rates,
            reference_for=record.reference_for,
        )
        for line in headline_lines(record, asked)
    ]
    return Evidence(
        trajectories=lines,
        goals=record.goals,
        trending=trending,
        responses=responses_in(record, asked, today),
        patterns=patterns_of(record.readings, record.states),
        nerves=nerves_in(reader, record, today),
        worn=record.worn,
        today=today,
    )
