"""What holds for a reading whichever door it comes through: its part is there, and no precaution in force names it.

A visit asks this of its readings before it writes them. A reading that comes as a FHIR resource is asked here: what
is unlikely is accepted where the resource carries the caution with its reason.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from service.domain.measurement import Finding
from service.domain.precautions import check_precautions
from service.domain.reading import check
from service.errors import Invalid, Issue, NeedsConfirmation
from service.fhir.reading import from_observation
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.course_reading import precautions_of, states_of
from service.usecases.visit_checks import counts


def require_fitting(writer: Writer, written: Iterable[Stored]) -> None:
    """Raises `Invalid` for readings of parts that are not there, `NeedsConfirmation` for what a precaution names."""
    by_patient: dict[str, list[Stored]] = {}
    for stored in written:
        if stored.type == "Observation" and stored.patient and not stored.deleted:
            by_patient.setdefault(stored.patient, []).append(stored)
    concerned = writer.patients_with(("Condition", "Flag"), list(by_patient))
    findings = [
        found
        for patient in by_patient
        if patient in concerned
        for found in _findings(writer, patient, by_patient[patient])
    ]
    refused = [finding.issue for finding in findings if finding.grade == "refuse"]
    if refused:
        raise Invalid(*refused)
    if findings:
        raise NeedsConfirmation(*(finding.issue for finding in findings))


def _findings(reader: Reader, patient: str, written: Iterable[Stored]) -> Iterable[Finding]:
    states, precautions = states_of(reader, patient), precautions_of(reader, patient)
    if not (states or precautions):
        return
    for stored in written:
        resource = stored.resource
        if not counts(resource):
            continue
        measurement = from_observation(resource)
        accepted = {caution.rule for caution in measurement.cautions}
        for finding in (*check(measurement, states), *check_precautions(measurement, precautions)):
            if finding.grade == "refuse" or finding.issue.rule not in accepted:
                yield replace(finding, issue=_located(finding.issue))


def _located(issue: Issue) -> Issue:
    place = {"site": "bodySite", "motion": "code", "kind": "code"}.get(issue.where, issue.where)
    return replace(issue, where=f"Observation.{place}")
