"""The record of a patient that was merged into another's: the old id answers with the new."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from service.errors import Conflict, Invalid, Issue
from service.fhir.merging import REPLACED_BY, REPLACES, replacement_of
from service.fhir.search_parameters import Choice, Clause, Query
from service.fhir.search_query import Wanted
from service.fhir.text import Json
from service.storage.records import Reader
from service.storage.stored import Stored


def record_of(reader: Reader, patient: str) -> Stored:
    """The Patient whose record holds what is known of the patient with this id. Raises `NotFound` or `Gone`."""
    stored = reader.get("Patient", patient)
    seen = {patient}
    while (other := replacement_of(stored.resource)) and other not in seen:
        seen.add(other)
        stored = reader.get("Patient", other)
    return stored


def redirected(reader: Reader, query: Query) -> Query | None:
    """A search that found nothing, asked of the patients into whose records those it names were merged.

    None where it names none such. A merged record holds nothing any more, so nothing else is missed.
    """
    named = {value for clause in (*query.clauses, *query.among) for value in _patients(clause)}
    anew = {ident: record_of(reader, ident).id for ident in reader.replaced(named)}
    if not anew:
        return None
    return replace(
        query,
        clauses=tuple(_pointed(clause, anew) for clause in query.clauses),
        among=tuple(_pointed(clause, anew) for clause in query.among),
    )


def _patients(clause: Clause) -> Iterable[str]:
    if clause.parameter.kind != "reference":
        return ()
    choices = (choice for choice in clause.choices if isinstance(choice, Choice))
    return [choice.value for choice in choices if choice.value and choice.qualifier in (None, "Patient")]


def _pointed(clause: Clause, anew: Mapping[str, str]) -> Clause:
    if clause.parameter.kind != "reference":
        return clause
    return replace(clause, choices=tuple(_pointed_choice(choice, anew) for choice in clause.choices))


def _pointed_choice(choice: Wanted, anew: Mapping[str, str]) -> Wanted:
    if isinstance(choice, Choice) and choice.value in anew and choice.qualifier in (None, "Patient"):
        return replace(choice, value=anew[str(choice.value)])
    return choice


def require_own_records(reader: Reader, written: Iterable[Stored]) -> None:
    """Raises `Invalid` for what was written of a patient whose record was merged into another's."""
    named = {each.patient for each in written if each.patient and each.type != "Patient" and not each.deleted}
    issues = [
        Issue(
            "business-rule",
            "The record of this patient was merged into another's.",
            "subject",
            f"Patient/{ident}",
            "merged-record",
            f"Patient/{other}",
        )
        for ident, other in reader.replaced(named).items()
    ]
    if issues:
        raise Invalid(*issues)


def refuse_parting(resource: Json | None, before: Stored | None) -> None:
    """Raises `Conflict` for an edit or a deletion that would take away the link of a merge."""
    if before is None or before.deleted or before.type != "Patient":
        return
    links = before.resource.get("link") or []
    kept = (resource or {}).get("link") or []
    if any(link.get("type") in (REPLACED_BY, REPLACES) and link not in kept for link in links):
        message = "The records of two patients were merged, and this would part them by halves."
        expected = "the merge undone, by its act"
        raise Conflict(Issue("business-rule", message, "Patient.link", before.id, "merged-record", expected))
