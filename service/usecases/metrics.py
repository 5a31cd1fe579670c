"""The indices of one patient's hands: shown, derived as Observations, and stored as such."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from service.domain.actor import Actor
from service.domain.background import Background
from service.domain.measurement import Measurement
from service.domain.metric import Metric, Parameters, Result
from service.domain.metrics import METRICS
from service.domain.repeatability import Repeatability, repeatability
from service.errors import Issue, NotFound
from service.fhir.derived import RETIRED, all_derived, is_derived, provenance_of
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases import resources
from service.usecases.computing import WITHDRAWN, compute
from service.usecases.course_reading import background_of
from service.usecases.doors import enter_operation
from service.usecases.merged import record_of
from service.usecases.readings import measurements_of
from service.usecases.rederiving import standing, withdrawn


def _now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Computed:
    """Results with what they were computed from: the parameters used, and how many Observations could not be.

    `background` is what they are read against: injuries, operations and precautions.
    """

    subject: str
    parameters: Parameters
    results: tuple[Result, ...]
    background: Background
    not_used: Mapping[str, int] = field(default_factory=dict)


def metrics_of(
    reader: Reader, actor: Actor, patient: str, name: str = "", parameters: Parameters | None = None
) -> Computed:
    """Every result of a patient (by resource id), or those of one metric. Raises `NotFound`, `Gone`, `Forbidden`."""
    with enter_operation(actor, "metrics", patient) as door:
        stored = record_of(reader, patient)
        door.about(stored.id)
        return _computed(reader, stored, _named(name), parameters or Parameters())


def metrics_of_visit(reader: Reader, actor: Actor, encounter: str, parameters: Parameters | None = None) -> Computed:
    """Every result of one visit (by the id of its Encounter); the other hand may be of an earlier one.

    Raises `NotFound`, `Gone` or `Forbidden`.
    """
    with enter_operation(actor, "visit-metrics") as door:
        visit = reader.get("Encounter", encounter)
        subject = str((visit.resource.get("subject") or {}).get("reference", ""))
        patient = subject.removeprefix("Patient/")
        stored = record_of(reader, patient)
        door.about(stored.id)
        found = _computed(reader, stored, METRICS.values(), parameters or Parameters())
        return replace(found, results=tuple(r for r in found.results if r.visit == visit.reference))


def derive(reader: Reader, actor: Actor, patient: str) -> list[Json]:
    """What `store_derived` would store, in no way stored. Raises `NotFound`, `Gone` or `Forbidden`."""
    return all_derived(metrics_of(reader, actor, patient).results)


def store_derived(
    writer: Writer, actor: Actor, patient: str, *, now: Callable[[], datetime] = _now
) -> list[resources.Written]:
    """Write every result down as an Observation of category derived, with one Provenance for all that changed.

    What was derived before and follows from nothing any more is marked entered-in-error with the reason; the same
    again changes nothing. Raises `NotFound`, `Gone` or `Forbidden`.
    """
    with enter_operation(actor, "derive", patient) as door:
        stored = record_of(writer, patient)
        door.about(stored.id)
        computed = _computed(writer, stored, METRICS.values(), Parameters())
        made = all_derived(computed.results)
        gone = _gone(writer, stored.id, {str(each["id"]) for each in made})
        written = [resources.update(writer, actor, each) for each in (*standing(made, writer), *gone)]
        changed = [w.stored.reference for w in written if w.outcome != "unchanged"]
        if changed:
            written.append(resources.create(writer, actor, provenance_of(changed, now(), actor.name)))
        return written


def repeatability_of(reader: Reader, actor: Actor) -> tuple[Repeatability, ...]:
    """The clinic's own measurement error, from all readings of all patients that were marked as repeats.

    Raises `Forbidden` for a person who may not see all patients.
    """
    with enter_operation(actor, "repeatability"):
        return repeatability(_all_readings(reader))


def _all_readings(reader: Reader) -> Iterable[Measurement]:
    for patient in _patients(reader):
        readings, _ = measurements_of(reader, patient)
        yield from (m for m in readings if m.circumstances.status not in WITHDRAWN)


def _patients(reader: Reader) -> Iterator[str]:
    pairs = [("_count", "500")]
    page = reader.search(parse("Patient", pairs))
    yield from (stored.id for stored in page.matches)
    while page.next:
        page = reader.search(parse("Patient", [*pairs, ("_cursor", page.next)]))
        yield from (stored.id for stored in page.matches)


def _named(name: str) -> Iterable[Metric]:
    if name and name not in METRICS:
        expected = "one of " + ", ".join(METRICS)
        raise NotFound(Issue("not-found", f"There is no metric called '{name}'.", value=name, expected=expected))
    return [METRICS[name]] if name else METRICS.values()


def _computed(reader: Reader, patient: Stored, metrics: Iterable[Metric], asked: Parameters) -> Computed:
    found = compute(reader, patient, metrics, asked)
    background = background_of(reader, patient.reference, _now().date())
    return Computed(patient.reference, found.parameters, found.results, background, found.not_used)


def _gone(reader: Reader, patient: str, kept: set[str]) -> Iterable[Json]:
    """What was derived before and no longer follows from the readings."""
    for stored in list(reader.of_patient(patient, "Observation")):
        resource = stored.resource
        if is_derived(resource) and stored.id not in kept and resource.get("status") != RETIRED:
            yield withdrawn(resource)
