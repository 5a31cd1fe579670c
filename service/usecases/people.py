"""Patients and examiners: found by identifier, never by name."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from service.domain.actor import Actor
from service.errors import Invalid, Issue, NotFound
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.merged import record_of
from service.usecases.resources import create
from service.usecases.visit_input import Identifier, Person


def find_patient(reader: Reader, patient: Person) -> Stored:
    """The patient named by resource id or by identifier. Raises `NotFound` with what was looked for."""
    if patient.id:
        return record_of(reader, patient.id)
    found = reader.by_identifier("Patient", *patient.identifier) if patient.identifier else None
    if found is None:
        wanted = "|".join(patient.identifier or ("", ""))
        message = "No patient has this identifier; a patient is never found by name."
        raise NotFound(Issue("not-found", message, "patient", wanted, "patient-by-identifier", "a known identifier"))
    return found


def create_patient(writer: Writer, actor: Actor, identifier: Identifier, said: Mapping[str, str]) -> Stored:
    """A patient with this identifier and what the source says: `family`, `given`, `birthdate`, `sex`."""
    patient: Json = {
        "resourceType": "Patient",
        "identifier": [{"system": identifier[0], "value": identifier[1]}],
    }
    name = {"family": said.get("family", ""), "given": [said["given"]] if said.get("given") else []}
    stated = {key: value for key, value in name.items() if value}
    if stated:
        patient["name"] = [stated]
    if said.get("sex"):
        patient["gender"] = said["sex"]
    if said.get("birthdate"):
        patient["birthDate"] = said["birthdate"]
    return create(writer, actor, patient).stored


def require_same_person(stored: Stored, said: Mapping[str, str]) -> None:
    """Raises `Invalid` where a name or birth date that came with an identifier is not the record's."""
    known = _told(stored.resource)
    issues = [
        Issue(
            "value",
            f"The identifier belongs to a patient whose {field} is not this one.",
            field,
            said[field],
            "same-person",
            "the identifier and details of one person",
        )
        for field in ("family", "given", "birthdate")
        if said.get(field) and known.get(field) and said[field].casefold() != known[field].casefold()
    ]
    if issues:
        raise Invalid(*issues)


def _told(patient: Mapping[str, Any]) -> dict[str, str]:
    name = (patient.get("name") or [{}])[0]
    return {
        "family": str(name.get("family", "")),
        "given": str((name.get("given") or [""])[0]),
        "birthdate": str(patient.get("birthDate", "")),
    }


def performer(reader: Reader, by: Person) -> tuple[str, str]:
    """The reference and the name of an examiner; the reference is empty where only a name is known."""
    if by.id:
        return reader.get("Practitioner", by.id).reference, by.name
    if by.identifier:
        found = reader.by_identifier("Practitioner", *by.identifier)
        if found is None:
            wanted = "|".join(by.identifier)
            message = "No practitioner has this identifier."
            raise NotFound(
                Issue("not-found", message, "by", wanted, "practitioner-by-identifier", "a known identifier")
            )
        return found.reference, by.name
    return "", by.name


def born_on(patient: Stored) -> date | None:
    """The day a patient was born, where the record has the whole date."""
    told = str(patient.resource.get("birthDate", ""))
    return date.fromisoformat(told) if len(told) == len("2026-01-31") else None
