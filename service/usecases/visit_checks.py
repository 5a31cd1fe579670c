"""What the readings of a visit are held against before any is written: the trade, the last visit, the precautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime

from service.domain.anatomy import PartState
from service.domain.kinds import KINDS
from service.domain.measurement import Finding, Measurement
from service.domain.precautions import Precaution, check_precautions
from service.domain.reading import Reading, check, check_against_last, check_visit, confirmed
from service.domain.reading_time import check_time
from service.domain.series import key_of
from service.errors import Invalid, Issue, NeedsConfirmation
from service.fhir.observation import to_observation
from service.fhir.reading import from_observation, kind_claimed
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.visit_input import VisitReading


@dataclass
class Draft:
    """One entry on its way: read and checked, but not yet written."""

    given: VisitReading
    reading: Reading
    measurements: list[Measurement] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class HeldAgainst:
    """What a reading is held against: the state of each part, the precautions, and the day the patient was born."""

    states: tuple[PartState, ...]
    precautions: tuple[Precaution, ...]
    born: date | None = None


def check_drafts(
    writer: Writer, drafts: Sequence[Draft], known: Iterable[tuple[Stored, Measurement]], patient: HeldAgainst
) -> None:
    """Raises what cannot be, else what was asked and not confirmed; keeps what was confirmed as a caution."""
    found: list[tuple[Draft, int, Finding]] = []
    place = {id(m): (draft, n) for draft in drafts for n, m in enumerate(draft.measurements)}
    for draft in drafts:
        for n, measurement in enumerate(draft.measurements):
            findings = check(measurement, patient.states)
            findings += check_time(measurement.circumstances, datetime.now(UTC), patient.born)
            findings += check_against_last(measurement, _last(writer, measurement))
            findings += check_precautions(measurement, patient.precautions)
            found.extend((draft, n, finding) for finding in findings)
    counting = [m for stored, m in known if counts(stored.resource)]
    together = counting + [m for draft in drafts for m in draft.measurements]
    for measurement, finding in check_visit(together):
        where = place.get(id(measurement)) or _beside(measurement, drafts)
        if where:
            found.append((*where, finding))
    refused = [finding.issue.at(draft.given.place) for draft, _, finding in found if finding.grade == "refuse"]
    if refused:
        raise Invalid(*refused)
    open_ = [finding.issue.at(draft.given.place) for draft, _, finding in found if not draft.given.entry.confirmed]
    if open_:
        raise NeedsConfirmation(*(_to_confirm(issue) for issue in open_))
    for draft, n, finding in found:
        draft.measurements[n] = confirmed(draft.measurements[n], [finding], draft.given.entry.confirmed)


def _to_confirm(issue: Issue) -> Issue:
    """What was asked, with how it is accepted."""
    accepting = "the reason for accepting it as `confirmed` of the reading"
    return replace(issue, expected=f"{issue.expected}, or {accepting}" if issue.expected else accepting)


def _beside(known: Measurement, drafts: Sequence[Draft]) -> tuple[Draft, int] | None:
    """The new reading at the site of a known one: what falls on the known one was brought up by it."""
    places = ((draft, n, m) for draft in drafts for n, m in enumerate(draft.measurements))
    return next(((draft, n) for draft, n, m in places if (m.kind, m.site) == (known.kind, known.site)), None)


def _last(reader: Reader, measurement: Measurement) -> Measurement | None:
    """The latest earlier reading of this line, for kinds whose unit could be mistaken."""
    if measurement.number is None or len(KINDS[measurement.kind].units) < 2:
        return None
    code = to_observation(measurement)["code"]["coding"][0]
    patient = measurement.circumstances.subject.removeprefix("Patient/")
    pairs = [("patient", patient), ("code", f"{code['system']}|{code['code']}"), ("_sort", "-date"), ("_count", "20")]
    for stored in reader.search(parse("Observation", pairs)).matches:
        if counts(stored.resource):
            earlier = from_observation(stored.resource)
            if key_of(earlier) == key_of(measurement) and earlier.circumstances.taken < measurement.circumstances.taken:
                return earlier
    return None


def counts(resource: Json) -> bool:
    """Whether an Observation is a reading that was not withdrawn."""
    return kind_claimed(resource) is not None and resource.get("status") not in ("entered-in-error", "cancelled")
