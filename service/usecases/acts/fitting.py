"""Readings that an act states anew, held against the patient whose they are now."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from service.domain.measurement import Finding, Measurement
from service.domain.precautions import check_precautions
from service.domain.reading import check, confirmed
from service.domain.reading_time import check_time
from service.errors import Invalid, NeedsConfirmation
from service.fhir.acts import REPLACES
from service.fhir.derived import SIGNED
from service.fhir.observation import CAUTION, ORTHOSIS_WORN, to_observation
from service.fhir.text import Json
from service.storage.stored import Stored
from service.usecases.acts.deed import Deed
from service.usecases.course_reading import precautions_of, states_of
from service.usecases.people import born_on

_STATED = (
    "status", "code", "effectiveDateTime", "performer", "valueQuantity", "valueCodeableConcept", "dataAbsentReason",
    "note", "bodySite", "method", "component",
)  # fmt: skip
"""The elements by which an Observation states a reading; what else stands in it is left as it is."""


def fitted(deed: Deed, patient: str, stated: Sequence[tuple[str, Measurement]]) -> list[Measurement]:
    """The readings (each with the place it is told of by), checked against the patient with this id.

    What is unlikely carries the confirmed reason from then on. Raises `Invalid` for what cannot be, and
    `NeedsConfirmation` for what is unlikely and was not confirmed.
    """
    states, precautions = states_of(deed.writer, patient), precautions_of(deed.writer, patient)
    born = born_on(deed.writer.get("Patient", patient))
    found: list[tuple[str, Measurement, list[Finding]]] = []
    for place, measurement in stated:
        accepted = {caution.rule for caution in measurement.cautions}
        findings = [
            *check(measurement, states),
            *check_precautions(measurement, precautions),
            *check_time(measurement.circumstances, deed.now, born),
        ]
        found.append((place, measurement, [f for f in findings if f.grade == "refuse" or f.issue.rule not in accepted]))
    _require(found, "refuse", Invalid)
    if not deed.terms.confirmed:
        _require(found, "ask", NeedsConfirmation)
    return [confirmed(measurement, findings, deed.terms.confirmed) for _, measurement, findings in found]


def _require(found: Iterable[tuple[str, Measurement, list[Finding]]], grade: str, error: type[Invalid]) -> None:
    issues = [f.issue.at(place) for place, _, findings in found for f in findings if f.grade == grade]
    if issues:
        raise error(*issues)


def restated(resource: Json, measurement: Measurement) -> Json:
    """An Observation that states this reading now; whatever else stands in it stays."""
    made = to_observation(measurement)
    kept = {name: value for name, value in resource.items() if name not in _STATED}
    worn = [each for each in resource.get("extension") or [] if each.get("url") != ORTHOSIS_WORN]
    extension = [*made.pop("extension", ()), *worn]
    whole = {**kept, **{name: made[name] for name in _STATED if name in made}, "status": resource["status"]}
    notes = (resource.get("note") or [])[1:]
    if notes:
        whole["note"] = [*(made.get("note") or []), *notes]
    return {**{k: v for k, v in whole.items() if k != "extension"}, **({"extension": extension} if extension else {})}


def with_cautions(resource: Json, before: Measurement, after: Measurement) -> Json:
    """An Observation with the cautions that were added to its reading."""
    added = [each for each in after.cautions if each not in before.cautions]
    if not added:
        return resource
    components = [
        each for each in to_observation(replace(after, cautions=tuple(added)))["component"] if _is_caution(each)
    ]
    return {**resource, "component": [*(resource.get("component") or []), *components]}


def _is_caution(component: Json) -> bool:
    return any(coding.get("code") == CAUTION for coding in component["code"]["coding"])


def corrected(resource: Json) -> Json:
    """A reading once it was put right: `corrected` where somebody had signed it, which makes it no longer so issued."""
    if resource.get("status") not in SIGNED:
        return resource
    return {**{name: value for name, value in resource.items() if name != "issued"}, "status": "corrected"}


def in_place_of(resource: Json, old: Stored) -> Json:
    """A new Observation that says which one it stands in the place of."""
    replaces = {"url": REPLACES, "valueReference": {"reference": old.reference}}
    others = [each for each in resource.get("extension") or [] if each.get("url") != REPLACES]
    return {**corrected(resource), "extension": [*others, replaces]}
