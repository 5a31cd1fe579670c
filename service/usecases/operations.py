"""Operations of FHIR that read: all of one patient's, the latest of each code, statistics, results, what codes say.

`carry_out` does what a call asks for, whether it came by an address, in a body, or as an entry of a Bundle.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from service.domain.actor import Actor
from service.errors import Forbidden, Invalid, Issue, Malformed
from service.fhir import conformance
from service.fhir.care_dates import Care
from service.fhir.claims import check_claims
from service.fhir.compartment import OF_NOBODY, kinds_of_a_record, of_patient
from service.fhir.concepts import lookup, translate
from service.fhir.definitions import SERVED_TYPES
from service.fhir.expansion import expand, validate_code
from service.fhir.given import Call, as_malformed
from service.fhir.profile_check import breaches, is_ours
from service.fhir.search_parameters import Clause, Include, Query, parse
from service.fhir.text import Json
from service.fhir.validation import issues_of
from service.fhir.walk import shown
from service.storage.records import Page, Reader, Stored
from service.usecases.acts.resting import affected
from service.usecases.acts.views import affected_parameters
from service.usecases.doors import enter, kept_within
from service.usecases.including import along
from service.usecases.merged import record_of, redirected
from service.usecases.metrics import derive
from service.usecases.permissions import require
from service.usecases.statistics import statistics

_ALONG = OF_NOBODY | {"Device", "DeviceMetric"}
"""What a record refers to without its belonging to any patient, or to this one only."""
MOST_LATEST = 100


@dataclass(frozen=True, slots=True)
class Done:
    """What came of an operation: a resource, or a page of matches with the search that says how it was understood."""

    resource: Json | None = None
    page: Page | None = None
    query: Query | None = None

    @property
    def matches(self) -> tuple[Query, Page]:
        """The search and its page. Raises `TypeError` where the operation came to a resource."""
        if self.page is None or self.query is None:
            raise TypeError("the operation came to a resource")
        return self.query, self.page


def carry_out(reader: Reader, actor: Actor, call: Call) -> Done:
    """Do what a call asks for. Raises `Malformed` for inputs that make no sense, and what the operation raises."""
    match call.operation.name:
        case "everything":
            return _everything(reader, actor, call)
        case "lastn":
            return _latest(reader, actor, call)
        case "stats":
            return Done(statistics(reader, actor, call))
        case "derive":
            return Done(collection(derive(reader, actor, call.id), call.base))
        case "affected":
            return Done(affected_parameters(affected(reader, actor, call.id)))
    return Done(SAID[call.operation.name](call))


SAID: dict[str, Callable[[Call], Json]] = {
    "expand": expand, "validate-code": validate_code, "lookup": lookup, "translate": translate,
}  # fmt: skip
"""The operations that ask nothing of the record: what codes say is the same for everybody."""


def collection(found: Iterable[Json], base: str) -> Json:
    """Resources as a Bundle of the type collection; `base` is the address they are under."""
    entries = [{"fullUrl": f"{base}/{each['resourceType']}/{each['id']}", "resource": each} for each in found]
    return {"resourceType": "Bundle", "type": "collection", **({"entry": entries} if entries else {})}


def _everything(reader: Reader, actor: Actor, call: Call) -> Done:
    kinds = [kind for value in call.all("_type") for kind in value.split(",")]
    for kind in kinds:
        if kind not in SERVED_TYPES:
            message = f"This record keeps no resources of a type '{kind}'."
            raise Malformed(Issue("invalid", message, "http._type", kind, expected=", ".join(kinds_of_a_record())))
    with as_malformed():
        return _page_of_everything(reader, actor, call, kinds)


def _page_of_everything(reader: Reader, actor: Actor, call: Call, kinds: Sequence[str]) -> Done:
    since = [("_lastUpdated", f"ge{value}") for value in call.all("_since")]
    clauses = parse("Patient", since, zone=call.zone).clauses
    pages = [(name, str(value)) for name, value in (("_count", call.one("_count")), ("_cursor", call.cursor)) if value]
    used = [(name, str(value)) for name in ("start", "end", "_since", "_type") for value in call.all(name)]
    query = parse("Patient", pages)
    query = replace(query, used=(*used, *query.used))
    care = Care(call.one("start") or "", call.one("end") or "", call.zone)
    return Done(page=everything(reader, actor, call.id, kinds, clauses, query, care), query=query)


def everything(
    reader: Reader,
    actor: Actor,
    patient: str,
    kinds: Sequence[str],
    since: Sequence[Clause],
    query: Query,
    care: Care | None = None,
) -> Page:
    """A page of all that belongs to a patient, with what it refers to; `kinds` narrows the types (empty: all).

    What the person may not see is left out; a type named in `kinds` that is closed is refused. `query` says how much
    and from where on, `care` on which days. Raises `NotFound`, `Gone`, `Forbidden`, and `Invalid` for a foreign cursor.
    """
    with enter(actor, "read", "Patient", patient, act="everything") as door:
        door.show(reader.get("Patient", patient))
        whose = record_of(reader, patient)
        door.show(whose)
        for kind in kinds:
            require(actor, "search", kind)
        listed = [kind for kind in kinds_of_a_record() if kind in (kinds or SERVED_TYPES) and _is_open(actor, kind)]
        matches, following = _gathered(reader, actor, whose.id, listed, query, _Within(since, care or Care()))
        met = along(reader, actor, (Include("Patient", ""),), matches)
        others = tuple(one for one in met if one.type in _ALONG and one.type in (kinds or SERVED_TYPES))
        return door.show_page(Page(tuple(matches), None, following, others))


@dataclass(frozen=True, slots=True)
class _Within:
    """What narrows all of a record: when it was changed, and when care was given."""

    since: Sequence[Clause]
    care: Care

    def clauses(self, kind: str) -> tuple[Clause, ...]:
        return (*self.since, *self.care.clauses(kind))


def _gathered(
    reader: Reader, actor: Actor, patient: str, kinds: Sequence[str], query: Query, within: _Within
) -> tuple[list[Stored], str | None]:
    """One page across the types, and where the next begins: the place of a type, and the cursor in it."""
    place, cursor = _place(query, len(kinds))
    matches: list[Stored] = []
    while place < len(kinds) and len(matches) < query.count:
        kind = kinds[place]
        asked = Query(
            kind, within.clauses(kind), count=query.count - len(matches), cursor=cursor, among=of_patient(kind, patient)
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


def _latest(reader: Reader, actor: Actor, call: Call) -> Done:
    most = call.one("max") or 1
    if most > MOST_LATEST:
        message, expected = "The parameter 'max' asks for too many of each code.", f"1 to {MOST_LATEST}"
        raise Malformed(Issue("invalid", message, "http.max", str(most), expected=expected))
    for name, _ in call.search:
        if name.partition(":")[0] in ("_sort", "_count", "_cursor", "_total", "_include", "_revinclude"):
            raise Malformed(Issue("not-supported", f"'{name}' is not taken by $lastn.", f"http.{name}"))
    with as_malformed():
        query = parse("Observation", call.search, lenient=call.lenient, zone=call.zone, base=call.base)
        page = latest(reader, actor, query, most)
    return Done(page=page, query=replace(query, used=(*query.used, ("max", str(most)))))


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
        anew = None if found else redirected(reader, query)
        if anew:
            found = reader.latest(door.within(anew), most)
        return door.show_page(Page(found, len(found)))


def verdict_on(resource: Json, kind: str, profiles: Sequence[str] = ()) -> Iterator[Issue]:
    """What is wrong with, or should be known of, a resource of that type, held against further profiles too.

    Nothing is looked up in the record: whether its references are met is known when it is written.
    """
    if resource.get("resourceType") != kind:
        found = shown(resource.get("resourceType", "none"))
        yield Issue("invalid", "The resource is not of the type in the address.", "resourceType", found, expected=kind)
        return
    issues = issues_of(resource)
    yield from issues
    if any(issue.severity in ("error", "fatal") for issue in issues):
        return
    meta = resource.get("meta", {})
    claimed = [*meta.get("profile", []), *profiles]
    yield from (_not_judged(url) for url in dict.fromkeys(claimed) if not conformance.is_judged(url))
    broken = check_claims({**resource, "meta": {**meta, "profile": claimed}} if claimed else resource)
    yield from broken
    if not broken:
        yield from (issue for url in dict.fromkeys(claimed) if is_ours(url) for issue in breaches(resource, url))


def _not_judged(profile: str) -> Issue:
    message = "This profile is not known here, so the resource was not held against it."
    return Issue("not-found", message, "meta.profile", profile, "known-profile", severity="warning")
