"""Operations of FHIR on the record: all of one patient's, the latest of each code, and whether something is valid."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from service.domain.actor import Actor
from service.errors import Forbidden, Invalid, Issue
from service.fhir.claims import check_claims
from service.fhir.compartment import OF_NOBODY, of_patient
from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_parameters import Clause, Include, Query, parse
from service.fhir.text import Json
from service.fhir.validation import issues_of
from service.storage.records import Page, Reader, Stored
from service.usecases.doors import enter, kept_within
from service.usecases.including import along
from service.usecases.permissions import require
from service.usecases.resources import EVENT

_ALONG = OF_NOBODY | {"Device", "DeviceMetric"}
"""What a record refers to without its belonging to any patient, or to this one only."""
MOST_LATEST = 100


def kinds_of_a_record() -> tuple[str, ...]:
    """The types that a patient's record can hold, the patient first."""
    others = (kind for kind in SERVED_TYPES if kind not in ("Patient", EVENT) and of_patient(kind, "x"))
    return ("Patient", *others)


def everything(
    reader: Reader, actor: Actor, patient: str, kinds: Sequence[str], since: Sequence[Clause], query: Query
) -> Page:
    """A page of all that belongs to a patient, with what it refers to; `kinds` narrows the types (empty: all).

    What the person may not see is left out; a type named in `kinds` that is closed is refused. `query` says how much
    and from where on. Raises `NotFound`, `Gone`, `Forbidden`, and `Invalid` for a foreign cursor.
    """
    with enter(actor, "read", "Patient", patient, act="everything") as door:
        door.show(reader.get("Patient", patient))
        for kind in kinds:
            require(actor, "search", kind)
        listed = [kind for kind in kinds_of_a_record() if kind in (kinds or SERVED_TYPES) and _is_open(actor, kind)]
        matches, following = _gathered(reader, actor, patient, listed, since, query)
        met = along(reader, actor, (Include("Patient", ""),), matches)
        others = tuple(one for one in met if one.type in _ALONG and one.type in (kinds or SERVED_TYPES))
        return door.show_page(Page(tuple(matches), None, following, others))


def _gathered(
    reader: Reader, actor: Actor, patient: str, kinds: Sequence[str], since: Sequence[Clause], query: Query
) -> tuple[list[Stored], str | None]:
    """One page across the types, and where the next begins: the place of a type, and the cursor in it."""
    place, cursor = _place(query, len(kinds))
    matches: list[Stored] = []
    while place < len(kinds) and len(matches) < query.count:
        kind = kinds[place]
        asked = Query(
            kind, tuple(since), count=query.count - len(matches), cursor=cursor, among=of_patient(kind, patient)
        )
        page = reader.search(kept_within(actor, asked))
        matches += page.matches
        cursor = page.next or ""
        place += not cursor
    return matches, f"{place}.{cursor}" if place < len(kinds) else None


def _place(query: Query, most: int) -> tuple[int, str]:
    if not query.cursor:
        return 0, ""
    match = re.fullmatch(r"([0-9]{1,2})\.([A-Za-z0-9_-]*)", query.cursor)
    if match is None or int(match[1]) >= most:
        message = "This is no cursor of this record; follow the link to the next page as it was given."
        raise Invalid(Issue("invalid", message, "_cursor", query.cursor, "search-value"))
    return int(match[1]), match[2]


def _is_open(actor: Actor, kind: str) -> bool:
    try:
        require(actor, "search", kind)
    except Forbidden:
        return False
    return True


def latest(reader: Reader, actor: Actor, query: Query, most: int) -> Page:
    """The latest `most` Observations of each code among the matches of a search that names a patient.

    Readings that were entered in error are left out, unless the search says which statuses it wants. Raises
    `Forbidden`, and `Invalid` where no patient is named.
    """
    names = {clause.parameter.name for clause in query.clauses}
    asked = "&".join(f"{name}={value}" for name, value in query.used)
    with enter(actor, "search", "Observation", query=asked, act="lastn") as door:
        if not names & {"patient", "subject"}:
            message = "The latest readings are those of a patient, who has to be named."
            raise Invalid(Issue("required", message, "patient", expected="patient=1"))
        if "status" not in names:
            withdrawn = parse("Observation", [("status:not", "entered-in-error")])
            query = replace(query, clauses=(*query.clauses, *withdrawn.clauses))
        found = reader.latest(door.within(query), most)
        return door.show_page(Page(found, len(found)))


def verdict_on(resource: Json, kind: str, profiles: Sequence[str] = ()) -> Iterator[Issue]:
    """What is wrong with, or should be known of, a resource of that type, held against further profiles too.

    Nothing is looked up in the record: whether its references are met is known when it is written.
    """
    if resource.get("resourceType") != kind:
        found = str(resource.get("resourceType"))
        yield Issue("invalid", "The resource is not of the type in the address.", "resourceType", found, expected=kind)
        return
    issues = issues_of(resource)
    yield from issues
    if any(issue.severity in ("error", "fatal") for issue in issues):
        return
    meta = resource.get("meta", {})
    claimed = [*meta.get("profile", []), *profiles]
    yield from check_claims({**resource, "meta": {**meta, "profile": claimed}} if claimed else resource)
