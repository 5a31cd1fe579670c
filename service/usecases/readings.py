"""A patient's readings, as the trade sees them, and what else of their Observations could not be used."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from service.domain.measurement import Measurement
from service.errors import Invalid
from service.fhir.derived import is_derived
from service.fhir.orthosis.wear import is_wear
from service.fhir.reading import from_observation, is_panel, kind_claimed
from service.storage.records import Reader
from service.storage.stored import Stored


def measurements_of(reader: Reader, patient: str) -> tuple[list[Measurement], dict[str, int]]:
    """Every reading of a patient (by id or reference), and how many other Observations were not used, by reason.

    An Observation that claims none of our profiles is never a reading, whatever its code says. What was derived from
    readings is none either, and is passed over in silence.
    """
    return _read(reader.of_patient(patient.removeprefix("Patient/"), "Observation"))


def _read(found: Iterable[Stored]) -> tuple[list[Measurement], dict[str, int]]:
    readings: list[Measurement] = []
    not_used: Counter[str] = Counter()
    for stored in found:
        resource = stored.resource
        if kind_claimed(resource) is None:
            if not (is_panel(resource) or is_derived(resource) or is_wear(resource)):
                not_used["not a reading of this record: it claims no profile of one"] += 1
            continue
        try:
            readings.append(from_observation(resource))
        except Invalid as error:
            not_used[f"not readable: {error.issues[0].message}"] += 1
    return readings, dict(not_used)
