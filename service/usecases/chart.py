"""A patient's course as a picture."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.domain.actor import Actor
from service.domain.change.answers import aims_of
from service.domain.change.chart import Panel, chart_of
from service.domain.change.comparable import Trajectory
from service.errors import Invalid, Issue
from service.storage.records import Reader
from service.usecases.change import Asked, Gathered, gather
from service.usecases.change_clinic import ChangeRules
from service.usecases.doors import enter_operation

MOST_PANELS = 12
"""More than these are no picture any more."""
CAUTION = (
    "The numbers inform; they prescribe nothing. What happened while an orthosis was worn is not thereby its effect. "
    "The treating clinician, local protocol and licensed practice decide."
)


@dataclass(frozen=True, slots=True)
class Charted:
    """The specification of a picture, and the patient it is about."""

    subject: str
    specification: dict[str, Any]


def patient_chart(reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date) -> Charted:
    """The picture of what is asked for: the measures of goals, or total active motion, where nothing is named.

    Raises `NotFound`, `Gone`, `Forbidden`; `Invalid` where more is asked for than one picture can show.
    """
    asked.require_lawful()
    with enter_operation(actor, "change", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        lines = _chosen(record, asked)
        if len(lines) > MOST_PANELS:
            message = f"{len(lines)} measures fit what is asked; one picture shows {MOST_PANELS} at most."
            raise Invalid(Issue("too-costly", message, "http.measure", expected="a measure, a site, or both"))
        panels = [Panel(line, aims_of(line, record.goals), _reference(line, record)) for line in lines]
        until = asked.until or today
        phases = record.phases(lines[0], asked, until) if lines else ()
        return Charted(
            stored.reference,
            chart_of(
                panels, phases, until, " ".join((*(f"{note}." for note in record.notes), CAUTION)), stored.reference
            ),
        )


def _chosen(record: Gathered, asked: Asked) -> list[Trajectory]:
    chosen = record.chosen(asked)
    if asked.measure or asked.site:
        return list(chosen)
    aimed = [line for line in chosen if aims_of(line, record.goals)]
    return aimed or [line for line in chosen if line.measure == "total-active-motion"]


def _reference(line: Trajectory, record: Gathered) -> Trajectory | None:
    """The same measure of the other hand, where a clinician marked it as this one's reference."""
    if line.site.side not in record.reference_for or line.site.other == line.site:
        return None
    return next(iter(_alike(line, record.every)), None)


def _alike(line: Trajectory, others: Iterable[Trajectory]) -> Iterable[Trajectory]:
    wanted = (line.measure, line.unit, line.site.other, line.conditions)
    return (each for each in others if (each.measure, each.unit, each.site, each.conditions) == wanted and each.points)
