"""Recording a visit: all its readings, or none."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from service.domain.actor import Actor
from service.domain.background import Background
from service.domain.measurement import Circumstances, Measurement
from service.domain.reading import Reading, read_entry
from service.domain.series import direction_named
from service.errors import Invalid, Issue, NotFound
from service.fhir.encounter import to_encounter
from service.fhir.observation import to_observation, to_panel
from service.fhir.reading import from_observation, kind_claimed
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.course_reading import background_of
from service.usecases.courses import states_of
from service.usecases.doors import enter_operation
from service.usecases.origin import is_as_imported, mark_imported
from service.usecases.orthoses import find_orthosis
from service.usecases.people import born_on, find_patient, performer
from service.usecases.rederiving import derived_once
from service.usecases.resources import create, update
from service.usecases.visit_checks import Draft, HeldAgainst, check_drafts
from service.usecases.visit_identity import (
    already_there,
    corrected_since,
    known_as,
    not_restated,
    require_each_once,
    same_everywhere,
    says_the_same,
    shown,
)
from service.usecases.visit_input import Visit, VisitReading

Act = Literal["created", "updated", "unchanged"]


@dataclass(frozen=True, slots=True)
class Written:
    """What became of one measurement: the Observation as stored, and what the record asked about it."""

    act: Act
    stored: Stored
    measurement: Measurement
    place: str


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recorded visit: its Encounter, what became of each measurement in the order given, and what they are read
    against."""

    encounter: Stored
    written: tuple[Written, ...]
    background: Background
    warnings: tuple[Issue, ...] = ()


def record_visit(writer: Writer, actor: Actor, visit: Visit) -> Recorded:
    """Write a visit down: the Encounter and an Observation for every measurement, in the caller's one transaction.

    Raises `Invalid` with everything that cannot be, `NeedsConfirmation` with everything unlikely that nobody
    confirmed, `Duplicate` for a reading that this visit already has with another value, and `Conflict` for an imported
    reading that was corrected by hand since.
    """
    with enter_operation(actor, "visit", visit.patient.id) as door:
        patient = find_patient(writer, visit.patient)
        door.about(patient.id)
        return _record(writer, actor, visit, patient)


def _record(writer: Writer, actor: Actor, visit: Visit, patient: Stored) -> Recorded:
    encounter, is_new = _encounter(writer, actor, visit, patient)
    known = [] if is_new else readings_of_visit(writer, encounter)
    background = background_of(writer, patient.reference, visit.when.at.date())
    drafts = _read(writer, actor, visit, patient.reference, encounter.reference)
    require_each_once(drafts)
    fresh = [d for d in drafts if not same_everywhere(d, known)]
    check_drafts(
        writer,
        fresh,
        not_restated(drafts, known),
        HeldAgainst(states_of(writer, actor, patient.reference), background.precautions, born_on(patient)),
    )
    with derived_once(writer, actor):
        written = [w for draft in drafts for w in _write(writer, actor, visit, draft, known)]
    return Recorded(encounter, tuple(written), background, tuple(_warnings(written)))


def _encounter(writer: Writer, actor: Actor, visit: Visit, patient: Stored) -> tuple[Stored, bool]:
    if visit.key:
        query = parse("Encounter", [("patient", patient.id), ("identifier", "|".join(visit.key))])
        found = writer.search(query).matches
        if found:
            return found[0], False
    reference, name = performer(writer, visit.by)
    return create(writer, actor, to_encounter(patient.reference, visit.when, reference, name, visit.key)).stored, True


def readings_of_visit(reader: Reader, encounter: Stored) -> list[tuple[Stored, Measurement]]:
    """Every reading of a visit, as stored and as measurement, those withdrawn among them; all pages of them."""
    pairs = [("encounter", encounter.id), ("_count", "1000")]
    page = reader.search(parse("Observation", pairs))
    found = list(page.matches)
    while page.next:
        page = reader.search(parse("Observation", [*pairs, ("_cursor", page.next)]))
        found.extend(page.matches)
    return [(s, from_observation(s.resource)) for s in found if kind_claimed(s.resource) is not None]


def _read(writer: Writer, actor: Actor, visit: Visit, patient: str, encounter: str) -> list[Draft]:
    drafts: list[Draft] = []
    issues: list[Issue] = []
    people = {visit.by: performer(writer, visit.by)}
    for given in visit.readings:
        try:
            by = given.by or visit.by
            people.setdefault(by, performer(writer, by))
            when = given.at or visit.when
            circumstances = Circumstances(
                subject=patient,
                taken=when.at,
                day_only=when.day_only,
                performer=people[by][0],
                performer_name=people[by][1],
                encounter=encounter,
                device_use=_device_use(writer, actor, given, patient, when.at.date()),
                note=given.entry.note,
                source=(visit.key[0], given.entry.key) if visit.key and given.entry.key else None,
            )
            reading = read_entry(given.entry, circumstances)
            drafts.append(Draft(given, reading, [_sourced(m, reading) for m in reading.measurements]))
        except (Invalid, NotFound) as error:
            issues.extend(issue.at(given.place) for issue in error.issues)
    if issues:
        raise Invalid(*issues)
    return drafts


def _sourced(measurement: Measurement, reading: Reading) -> Measurement:
    """Each direction of an arc has a source key of its own; its end may change its name."""
    source = measurement.circumstances.source
    if source is None or not reading.panel:
        return measurement
    end = f"{source[1]}/{direction_named(measurement)}"
    return replace(measurement, circumstances=replace(measurement.circumstances, source=(source[0], end)))


def _device_use(writer: Writer, actor: Actor, given: VisitReading, patient: str, day: date) -> str:
    state = given.entry.fields.get("orthosis_state", "")
    if given.orthosis is None:
        return ""
    if state not in ("in-orthosis", "out-of-orthosis"):
        message = "An orthosis is named, but the reading was not taken in it or just out of it."
        expected = "in-orthosis or out-of-orthosis"
        raise Invalid(Issue("value", message, "orthosis_state", state, "orthosis-of-reading", expected))
    found = find_orthosis(writer, actor, given.orthosis, day) or find_orthosis(writer, actor, given.orthosis)
    if found is None:
        message = "No orthosis episode has this key."
        raise NotFound(
            Issue("not-found", message, "orthosis", "|".join(given.orthosis), "episode-key", "a known episode")
        )
    if f"Patient/{found.patient}" != patient:
        message = "The orthosis is another patient's."
        raise Invalid(Issue("value", message, "orthosis", "|".join(given.orthosis), "orthosis-of-patient"))
    return found.reference


def _write(
    writer: Writer, actor: Actor, visit: Visit, draft: Draft, known: Sequence[tuple[Stored, Measurement]]
) -> Iterator[Written]:
    acts: list[Written] = []
    for measurement in draft.measurements:
        act, stored = _write_one(writer, actor, visit, draft.given.place, measurement, known_as(measurement, known))
        acts.append(Written(act, stored, measurement, draft.given.place))
    if draft.reading.panel and any(w.act != "unchanged" for w in acts):
        _write_panel(writer, actor, visit, draft, acts)
    yield from acts


def _write_panel(writer: Writer, actor: Actor, visit: Visit, draft: Draft, acts: Sequence[Written]) -> None:
    """The whole of an arc; the one that its source made before, where there is one."""
    first = draft.measurements[0].circumstances
    source = (first.source[0], f"{draft.given.entry.key}/arc") if first.source else None
    panel = to_panel(draft.reading, replace(first, source=source), [w.stored.reference for w in acts])
    found: tuple[Stored, ...] = ()
    if source and any(w.act == "updated" for w in acts):
        pairs = [("encounter", first.encounter.removeprefix("Encounter/")), ("identifier", "|".join(source))]
        found = writer.search(parse("Observation", pairs)).matches
    if found:
        update(writer, actor, _marked(visit, {**panel, "id": found[0].id}), imported=visit.imported)
    else:
        create(writer, actor, _marked(visit, panel), imported=visit.imported)


def _write_one(
    writer: Writer,
    actor: Actor,
    visit: Visit,
    place: str,
    measurement: Measurement,
    known: tuple[Stored, Measurement] | None,
) -> tuple[Act, Stored]:
    if known is None:
        return "created", create(
            writer, actor, _marked(visit, to_observation(measurement)), imported=visit.imported, fitting=True
        ).stored
    stored, before = known
    if says_the_same(measurement, before):
        return "unchanged", stored
    if measurement.circumstances.source is None or before.circumstances.source != measurement.circumstances.source:
        raise already_there(place, measurement, before)
    if not (visit.imported and is_as_imported(stored.resource)):
        raise corrected_since(place, measurement, before, stored)
    around = replace(measurement.circumstances, id=stored.id, status=before.circumstances.status)
    changed = to_observation(replace(measurement, circumstances=around))
    return "updated", update(writer, actor, _marked(visit, changed), imported=visit.imported).stored


def _marked(visit: Visit, resource: Json) -> Json:
    return mark_imported(resource) if visit.imported else resource


def _warnings(written: Iterable[Written]) -> Iterator[Issue]:
    for one in written:
        for caution in one.measurement.cautions:
            message = (
                f"{one.measurement.site.name}: accepted although {caution.rule.replace('-', ' ')}; {caution.reason}"
            )
            yield Issue("business-rule", message, one.place, shown(one.measurement), caution.rule, severity="warning")
