"""Cohorts of a study: counted first, so that nobody stands in one of a few; then kept as a FHIR Group."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from urllib.parse import urlencode

from service.domain.actor import Actor
from service.domain.study import Study, require_apart, shown_count
from service.errors import Conflict, Invalid, Issue
from service.fhir.quasi_identifiers import refuses_research
from service.fhir.search_dates import micros
from service.fhir.search_parameters import parse
from service.fhir.search_query import LARGEST_PAGE
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.doors import enter_duty
from service.usecases.studies import RESEARCH, study_of

Criteria = Sequence[tuple[str, str]]
"""Search parameters of Patient, as `_has:Condition:patient:code` with what is looked for."""

_ABOUT = "Condition|Procedure|Observation|Encounter|EpisodeOfCare|Device|DeviceUseStatement|ServiceRequest|Goal"
_LINK = "(?:patient|subject)"
_WHAT = "(?:code|date|category|class|type|status|body-site|onset-date|period|value-quantity)"
_ALLOWED = re.compile(rf"gender|birthdate|_has:(?:{_ABOUT}):{_LINK}:{_WHAT}(?::not|:in|:text)?")
_EXPECTED = "gender, birthdate, or _has:TYPE:patient:PARAMETER with a code, date, category or place"
GROUP_SYSTEM_OF = "study"


@dataclass(frozen=True, slots=True)
class Counted:
    """How many there are; None where there are fewer than `fewer_than`, and some."""

    count: int | None
    fewer_than: int


def count(writer: Writer, actor: Actor, study: str, criteria: Criteria) -> Counted:
    """How many patients fit. Every count is written down, and one that tells of too few beside another is refused.

    Raises `Invalid` for criteria that cannot be asked, `Conflict` for a count that would tell too much.
    """
    with enter_duty(actor, RESEARCH) as passage:
        found = study_of(writer, actor, study, to_use=True)
        patients = members(writer, criteria)
        _log(writer, actor, found, criteria, len(patients))
        passage.written = True
        return Counted(shown_count(len(patients), found.k), found.k)


def define(writer: Writer, actor: Actor, study: str, criteria: Criteria) -> Stored:
    """Keep a cohort as a Group, whose members are those that fit now. Raises `Conflict` for one that is too small."""
    with enter_duty(actor, RESEARCH) as passage:
        found = study_of(writer, actor, study, to_use=True)
        patients = members(writer, criteria)
        _log(writer, actor, found, criteria, len(patients))
        if len(patients) < found.k:
            message = f"A cohort of fewer than {found.k} persons is not kept."
            raise Conflict(Issue("conflict", message, "criteria", rule="small-cohort"))
        passage.written = True
        return writer.create(_group(found, criteria, patients))


def members(reader: Reader, criteria: Criteria) -> list[str]:
    """The ids of the patients that fit, but for those who refused research; in the order they came."""
    refused = opted_out(reader)
    return [ident for ident in _fitting(reader, criteria) if ident not in refused]


def opted_out(reader: Reader) -> set[str]:
    """The patients of whom a Consent says that their record is not to be used for research."""
    query = parse("Consent", [("status", "active")])
    found = set()
    for stored in _every(reader, replace(query, count=LARGEST_PAGE)):
        if refuses_research(stored.resource):
            found.add(stored.patient)
    return found


def _fitting(reader: Reader, criteria: Criteria) -> Iterator[str]:
    issues = [
        Issue("not-supported", "A cohort is not asked for by this.", f"criteria[{n}]", name, "cohort", _EXPECTED)
        for n, (name, _) in enumerate(criteria)
        if not _ALLOWED.fullmatch(name)
    ]
    if issues:
        raise Invalid(*issues)
    query = parse("Patient", criteria)
    yield from (stored.id for stored in _every(reader, replace(query, count=LARGEST_PAGE)))


def _every(reader: Reader, query: object) -> Iterator[Stored]:
    asked = query
    while True:
        page = reader.search(asked)  # type: ignore[arg-type]
        yield from page.matches
        if page.next is None:
            return
        asked = replace(asked, cursor=page.next)  # type: ignore[type-var]


def _log(writer: Writer, actor: Actor, study: Study, criteria: Criteria, found: int) -> None:
    """Write the count down; a refused one is undone with its transaction, and its request stands in the trail."""
    require_apart(found, writer.research.counts(study.id), study.k)
    asked = urlencode(criteria)
    writer.note(RESEARCH, ("", ""), f"study={study.id}&count")
    writer.research.keep_count(study.id, micros(datetime.now(UTC)), actor.id, asked, found)


def _group(study: Study, criteria: Criteria, patients: Sequence[str]) -> Json:
    return {
        "resourceType": "Group",
        "type": "person",
        "actual": True,
        "active": True,
        "name": f"Cohort of {study.title}",
        "quantity": len(patients),
        "characteristic": [
            {"code": {"text": name}, "valueCodeableConcept": {"text": value}, "exclude": False}
            for name, value in criteria
        ],
        "member": [{"entity": {"reference": f"Patient/{ident}"}} for ident in patients],
    }
