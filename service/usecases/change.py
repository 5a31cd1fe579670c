"""Is it working: a patient's change, trend and phases, from the whole record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches

from service.domain.actor import Actor
from service.domain.anatomy import PARTS, PartState, Side
from service.domain.change.answers import (
    ChangeAnswer,
    Phased,
    Trending,
    changes_of,
    phased_of,
    trending_of,
)
from service.domain.change.comparable import Trajectory
from service.domain.change.gathering import BETTER, trajectories, trajectories_of
from service.domain.change.phases import Phase, phases_of, worn_at
from service.domain.change.verdict import BASELINES
from service.domain.goals import Goal
from service.domain.kinds import KINDS
from service.domain.measurement import Measurement
from service.domain.metric import Parameters
from service.domain.metrics import METRICS
from service.domain.orthosis.episode import Episode
from service.domain.orthosis.history import life_of
from service.domain.orthosis.life import Life
from service.domain.precautions import Precaution
from service.domain.summary import unsigned_note
from service.errors import Issue, Malformed
from service.fhir.plans import GOAL_PROFILE, from_goal
from service.storage.records import Reader
from service.storage.stored import Stored
from service.usecases.change_clinic import ChangeRules
from service.usecases.computing import WITHDRAWN, parameters_of
from service.usecases.course_reading import claiming, precautions_of, states_of
from service.usecases.doors import enter_operation
from service.usecases.orthoses import wear_of
from service.usecases.orthosis_guard import episodes_of
from service.usecases.readings import measurements_of


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of a patient's record.

    `measure` and `site` keep to one measure (its name, or the name of its kind) and one site; empty stands for all.
    `baseline` is a rule of `BASELINES`, `day` goes with `last-visit-before`. `since` begins the latest visits that the
    standing rests on, `until` is the last day looked at. With `series`, casts of one series are one phase.
    """

    measure: str = ""
    site: str = ""
    baseline: str = "first-visit"
    day: date | None = None
    since: date | None = None
    until: date | None = None
    series: bool = False

    def require_lawful(self) -> None:
        """Raises `Malformed` for a measure, site or rule that is none, or a day that its rule lacks or does not use."""
        self._require_known()
        if self.baseline not in BASELINES:
            expected = "one of " + ", ".join(BASELINES)
            message = f"'{self.baseline}' is not a rule for a baseline."
            raise Malformed(Issue("value", message, "baseline", self.baseline, "known-rule", expected))
        if (self.baseline == "last-visit-before") != (self.day is not None):
            message = "The last visit before a day needs that day, and only baseline=last-visit-before takes a day."
            raise Malformed(Issue("required", message, "day", str(self.day or ""), "day-of-rule", "2026-03-02"))

    def _require_known(self) -> None:
        if self.measure and not _is_measure(self.measure):
            names = [*METRICS, *KINDS]
            expected = ", ".join(get_close_matches(self.measure, names, 3, 0.5) or names)
            message = f"'{self.measure}' is not a measure."
            raise Malformed(Issue("value", message, "measure", self.measure, "known-measure", expected))
        side, _, key = self.site.partition("-")
        if self.site and self.site not in PARTS and not (side in ("left", "right", "both") and key in PARTS):
            expected = ", ".join(get_close_matches(key or self.site, PARTS, 3, 0.5)) or "right-index-pip or index-pip"
            message = f"'{self.site}' is not a site."
            raise Malformed(Issue("value", message, "site", self.site, "known-site", expected))


def _is_measure(name: str) -> bool:
    """Whether it is the name of a metric, a kind or a position, or the code of a reading."""
    if name in METRICS or name in KINDS or name.endswith("-position"):
        return True
    return any(name in kind.concepts for kind in KINDS.values())


@dataclass(frozen=True, slots=True)
class Told:
    """An answer about a patient, with what it is read against: precautions in force, and what could not be used.

    `notes` say what holds for all of it, as how many readings belong to visits that are not signed.
    """

    subject: str
    precautions: tuple[Precaution, ...]
    not_used: Mapping[str, int]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ToldChange(Told):
    """How much each measure changed."""

    answer: ChangeAnswer


@dataclass(frozen=True, slots=True)
class ToldTrend(Told):
    """How each measure runs, and where it stands."""

    answer: tuple[Trending, ...]


@dataclass(frozen=True, slots=True)
class ToldPhases(Told):
    """Each measure through the phases of treatment."""

    answer: tuple[Phased, ...]


@dataclass(frozen=True, slots=True)
class Gathered:
    """What a patient's record holds about change, gathered once.

    `every` are all trajectories, of readings and of the metrics that are followed, with the clinic's own errors.
    `worn` are the orthoses decided on up to the last day looked at, each with what its events come to. `readings` are
    those up to that day that were not withdrawn.
    """

    patient: Stored
    every: tuple[Trajectory, ...]
    goals: tuple[Goal, ...]
    precautions: tuple[Precaution, ...]
    reference_for: frozenset[Side]
    not_used: Mapping[str, int]
    worn: Sequence[tuple[Episode, Life]] = ()
    readings: Sequence[Measurement] = ()
    states: Sequence[PartState] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What holds for every answer made of it."""
        return tuple(unsigned_note(self.readings))

    def chosen(self, asked: Asked) -> tuple[Trajectory, ...]:
        """The lines asked for that have a value."""
        return tuple(
            t
            for t in self.every
            if t.points
            and asked.measure in ("", t.measure, t.key[0], *t.codes)
            and asked.site in ("", t.site.code, t.site.key)
        )

    def phases(self, trajectory: Trajectory, asked: Asked, today: date) -> tuple[Phase, ...]:
        """The phases of treatment at a line's site, from its first visit to today."""
        worn = worn_at(trajectory.site, self.worn, series=asked.series)
        first = min([trajectory.points[0].day, *(w.since for w in worn)])
        return phases_of(worn, first, max(today, trajectory.points[-1].day))


def patient_change(
    reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date
) -> ToldChange:
    """How much a patient's measures changed. Raises `NotFound`, `Gone`, `Forbidden` or `Malformed`."""
    asked.require_lawful()
    with enter_operation(actor, "change", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        answer = changes_of(
            record.chosen(asked), record.goals, rule=asked.baseline, day=asked.day, not_used=record.not_used
        )
        return ToldChange(stored.reference, record.precautions, record.not_used, record.notes, answer)


def patient_trend(
    reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date
) -> ToldTrend:
    """How a patient's measures run and where they stand. Raises `NotFound`, `Gone`, `Forbidden` or `Malformed`."""
    asked.require_lawful()
    with enter_operation(actor, "change", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        found = tuple(
            trending_of(
                each,
                record.every,
                record.phases(each, asked, today),
                goals=record.goals,
                rates=rules.rates,
                reference_for=record.reference_for,
                since=asked.since,
            )
            for each in record.chosen(asked)
        )
        return ToldTrend(stored.reference, record.precautions, record.not_used, record.notes, found)


def patient_phases(
    reader: Reader, actor: Actor, patient: str, asked: Asked, rules: ChangeRules, today: date
) -> ToldPhases:
    """A patient's measures through the phases of treatment. Raises `NotFound`, `Gone`, `Forbidden` or `Malformed`."""
    asked.require_lawful()
    with enter_operation(actor, "change", patient) as door:
        stored = reader.get("Patient", patient)
        door.about(patient)
        record = gather(reader, stored, rules, asked, today)
        last = asked.until or today
        wear = {episode.id: wear_of(reader, episode) for episode, _ in record.worn}
        found = tuple(phased_of(each, record.phases(each, asked, last), wear, last) for each in record.chosen(asked))
        return ToldPhases(stored.reference, record.precautions, record.not_used, record.notes, found)


def gather(reader: Reader, patient: Stored, rules: ChangeRules, asked: Asked, today: date) -> Gathered:
    """All that change is told from. To be called inside a door that was entered for the patient."""
    readings, not_used = measurements_of(reader, patient.id)
    states = states_of(reader, patient.reference)
    parameters = parameters_of(reader, patient, Parameters())
    used = [m for m in readings if m.circumstances.status not in WITHDRAWN]
    results = [r for name in BETTER for r in METRICS[name].compute(used, states, parameters)]
    lines = (*trajectories(readings, states), *trajectories_of(results))
    episodes = episodes_of(reader, patient.id)
    return Gathered(
        patient=patient,
        every=tuple(rules.applied(each).between(None, asked.until) for each in lines),
        goals=tuple(from_goal(s.resource) for s in claiming(reader, patient.id, "Goal", GOAL_PROFILE)),
        precautions=tuple(p for p in precautions_of(reader, patient.reference) if p.in_force(today)),
        reference_for=parameters.reference_for,
        not_used=not_used,
        worn=[(episode, life_of(episode)) for episode in _before(episodes, asked.until)],
        readings=[m for m in used if asked.until is None or m.circumstances.taken.date() <= asked.until],
        states=states,
    )


def _before(episodes: Iterable[Episode], until: date | None) -> Iterable[Episode]:
    return (episode for episode in episodes if until is None or episode.decided <= until)
