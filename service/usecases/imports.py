"""Taking in visits from a file: each visit whole or not at all, its neighbours untouched, nothing twice."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from itertools import islice

from service.domain.actor import Actor
from service.domain.kinds import KINDS
from service.errors import Invalid, Issue, NotFound, RecordError
from service.fhir.provenance import to_provenance
from service.fhir.reading import from_observation
from service.storage.records import Reader, Records, Writer
from service.storage.stored import Stored
from service.usecases.import_report import Change, Report, differences
from service.usecases.people import create_patient, find_patient, performer, require_same_person
from service.usecases.resources import create
from service.usecases.visit_input import Person, Visit
from service.usecases.visits import Act, Recorded, Written, record_visit

Progress = Callable[[int, int | None], None]
"""Told how many rows are done, and of how many, or None while that is not known."""

STEPS_AT_ONCE = 50
"""Steps in one transaction of the database: one each would wait for the disk once each."""


@dataclass(frozen=True, slots=True)
class VisitOfFile:
    """One visit as a file gives it: `places` are its rows, `faults` and `warnings` say in `where` which row.

    `visit` is None where the rows do not make one. `said` is what the file says of the patient beside the identifier:
    `family`, `given`, `birthdate`, `sex`.
    """

    visit: Visit | None
    places: tuple[str, ...]
    faults: tuple[Issue, ...] = ()
    said: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[Issue, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """What is written whole or not at all. `take` answers what tells the report of it once it is written."""

    places: tuple[str, ...]
    take: Callable[[Writer, datetime], Callable[[], None]]


@dataclass(frozen=True, slots=True)
class Declaration:
    """What somebody declared, by name, to hold for all rows of a file."""

    by: Person
    text: str
    on: str = ""


def import_visits(
    records: Records,
    actor: Actor,
    visits: Iterable[VisitOfFile],
    report: Report,
    *,
    create_patients: bool = False,
    declaration: Declaration | None = None,
    progress: Progress = lambda done, total: None,
) -> Report:
    """Take visits in, and say in `report` what came of each; a dry run does the same and undoes it.

    A visit that cannot be written leaves nothing behind, and is in the report with every reason. Visits before it
    stay written if the process is stopped: importing the file again adds only what is missing.
    """
    steps = visit_steps(actor, visits, report, create_patients=create_patients, declaration=declaration)
    return run(records, actor, steps, report, progress)


def visit_steps(
    actor: Actor,
    visits: Iterable[VisitOfFile],
    report: Report,
    *,
    create_patients: bool = False,
    declaration: Declaration | None = None,
) -> Iterator[Step]:
    """The steps that take visits in, one a visit."""
    taking = _Import(actor, report, create_patients, declaration)
    for given in visits:
        yield Step(given.places, partial(taking.take_in, given))


def run(records: Records, actor: Actor, steps: Iterable[Step], report: Report, progress: Progress) -> Report:
    """Take the steps, several in one transaction of the database; a dry run takes all in one, and undoes it."""
    done = 0
    for batch in _batches(steps, None if report.dry_run else STEPS_AT_ONCE):
        with _transaction(records, actor, undo=report.dry_run) as writer:
            began = datetime.now(UTC)
            for step in batch:
                try:
                    with writer.attempt():
                        tell = step.take(writer, began)
                except RecordError as error:
                    report.refuse(step.places, error.issues)
                else:
                    tell()
                done += len(step.places)
                progress(done, report.rows)
    return report


def _batches(steps: Iterable[Step], size: int | None) -> Iterator[Iterable[Step]]:
    waiting = iter(steps)
    if size is None:
        yield waiting
        return
    while batch := list(islice(waiting, size)):
        yield batch


class _Undone(Exception):
    """Leaves a transaction that is to change nothing."""


@contextmanager
def _transaction(records: Records, actor: Actor, *, undo: bool) -> Iterator[Writer]:
    try:
        with records.write(actor) as writer:
            yield writer
            if undo:
                raise _Undone
    except _Undone:
        return


def act(stored: Stored, began: datetime) -> Act:
    """Whether a resource was made in the transaction that began then."""
    return "created" if stored.version == 1 and stored.updated >= began else "unchanged"


def known_patient(
    writer: Writer, actor: Actor, named: Person, said: Mapping[str, str], *, create_patients: bool
) -> Stored:
    """The patient with this identifier, created only where that was asked for. Raises `Invalid` for another person."""
    try:
        patient = find_patient(writer, named)
    except NotFound:
        if not (create_patients and named.identifier):
            raise
        return create_patient(writer, actor, named.identifier, said)
    require_same_person(patient, said)
    return patient


@dataclass
class _Import:
    """One import under way."""

    actor: Actor
    report: Report
    create_patients: bool
    declaration: Declaration | None

    def take_in(self, given: VisitOfFile, writer: Writer, began: datetime) -> Callable[[], None]:
        """Write one visit; what is answered tells the report of it, once nothing can fail any more."""
        self.report.warnings.extend(given.warnings)
        if given.visit is None or given.faults:
            raise Invalid(*given.faults)
        visit, said = given.visit, given.said
        patient = known_patient(writer, self.actor, visit.patient, said, create_patients=self.create_patients)
        recorded = record_visit(writer, self.actor, visit)
        changes = [_change(writer, one) for one in recorded.written if one.act == "updated"]
        provenance = self._provenance(writer, recorded)

        def tell() -> None:
            self.report.visits += 1
            self.report.warnings.extend(recorded.warnings)
            self.report.changes.extend(changes)
            self.report.count_once(patient.reference, act(patient, began))
            self.report.count("Encounter", act(recorded.encounter, began))
            for one in recorded.written:
                self.report.count("Observation", one.act)
            self.report.count("Observation", "created", _wholes(visit, recorded))
            self.report.count("Provenance", "created", provenance)

        return tell

    def _provenance(self, writer: Writer, recorded: Recorded) -> int:
        """Who declared what holds for the rows that were written; how many resources that took."""
        targets = [one.stored.reference for one in recorded.written if one.act != "unchanged"]
        if self.declaration is None or not targets:
            return 0
        reference, name = performer(writer, self.declaration.by)
        author = {key: text for key, text in (("reference", reference), ("display", name)) if text}
        text, since, now = self.declaration.text, self.declaration.on, datetime.now(UTC)
        made = to_provenance(targets, now, text, author, self.actor.name, since)
        # What it refers to was written or read in this very transaction.
        create(writer, self.actor, made, referential_integrity=False)
        return 1


def _change(reader: Reader, one: Written) -> Change:
    earlier = reader.version("Observation", one.stored.id, one.stored.version - 1)
    before, after = differences(from_observation(earlier.resource), one.measurement)
    kind = KINDS[one.measurement.kind]
    name = f"{kind.display(one.measurement.axes)} of the {one.measurement.site.name}"
    return Change(one.place, name, before, after)


def _wholes(visit: Visit, recorded: Recorded) -> int:
    """How many Observations join the ends of an arc: one for every new entry that became several readings."""
    whole = {r.place for r in visit.readings if set(r.entry.fields.values()) & set(KINDS[r.entry.kind].panels)}
    return len({one.place for one in recorded.written if one.act == "created"} & whole)
