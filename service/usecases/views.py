"""Handing the record's resources to a view: who may have them, and which are asked for.

What is handed over is identified, so it is for those who treat the patients; a researcher's views run over a release.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from service.domain.actor import Actor
from service.errors import Gone, Invalid, Issue, NotFound
from service.fhir.compartment import of_patient
from service.fhir.definitions import SERVED_TYPES
from service.fhir.search_parameters import Clause, Query, parse
from service.fhir.search_query import LARGEST_PAGE
from service.fhir.text import Json
from service.storage.records import Reader
from service.usecases.doors import Door, enter
from service.usecases.permissions import require, require_operation

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Selection:
    """Which resources of a type are wanted: those of these patients and of the members of these groups (ids; none of
    either: all), changed at `since` (a FHIR instant) or later. `narrowing` are search parameters that a view may add.
    """

    kind: str
    patients: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()
    since: str = ""
    narrowing: tuple[tuple[str, str], ...] = ()


def run(reader: Reader, actor: Actor, wanted: Selection, job: Callable[[Iterator[Json]], Result]) -> Result:
    """What `job` makes of the resources that are wanted, one after another.

    Raises `Forbidden`; `NotFound` and `Gone` for a patient or group that is not there, and `Invalid` for a filter that
    nothing can fit, with its name in `where`.
    """
    if wanted.kind not in SERVED_TYPES:
        message = "This record keeps no resources of the type that the view is over."
        raise Invalid(Issue("not-supported", message, "ViewDefinition.resource", wanted.kind, "view-resource"))
    with enter(actor, "search", wanted.kind, query=_in_words(wanted), act="view") as door:
        require_operation(actor, "view")
        clauses = _clauses(wanted)
        among = _among(reader, actor, wanted)
        return job(each for part in among for each in _resources(reader, door, wanted.kind, clauses, part))


def run_on_index(
    reader: Reader,
    actor: Actor,
    system: str,
    size: int,
    job: Callable[[Iterator[list[Any]], Callable[[Iterable[str]], object]], Result],
) -> Result:
    """What `job` makes of the values of the index (see `Reader.coded_values`); it tells of each batch whose it is.

    Raises `Forbidden`, also for a person who may see a part of the record only.
    """
    with enter(actor, "search", "Observation", act="view") as door:
        require_operation(actor, "view")
        door.require_no_limits()
        patients = door.passage.patients
        return job(reader.coded_values(system, size), lambda seen: patients.update(dict.fromkeys(filter(None, seen))))


def permitted(actor: Actor, job: Callable[[], Result]) -> Result:
    """What `job` makes without the record, for whoever may run a view over it. Raises `Forbidden`."""
    with enter(actor, "search", "Observation", act="view"):
        require_operation(actor, "view")
        return job()


def _in_words(wanted: Selection) -> str:
    pairs = [("patient", one) for one in wanted.patients] + [("group", one) for one in wanted.groups]
    return "&".join(f"{name}={value}" for name, value in (*pairs, ("_since", wanted.since)) if value)


def _clauses(wanted: Selection) -> tuple[Clause, ...]:
    since = [("_lastUpdated", f"ge{wanted.since}")] if wanted.since else []
    try:
        return parse(wanted.kind, [*since, *wanted.narrowing]).clauses
    except Invalid as error:
        expected = "an instant such as 2026-03-01T00:00:00Z"
        raise Invalid(
            *(Issue(each.code, each.message, "_since", wanted.since, each.rule, expected) for each in error.issues)
        ) from error


def _among(reader: Reader, actor: Actor, wanted: Selection) -> list[tuple[Clause, ...]]:
    """The compartments to look in, each patient once; an empty one for all."""
    if not wanted.patients and not wanted.groups:
        return [()]
    members = [one for group in wanted.groups for one in _members(reader, actor, group)]
    patients = list(dict.fromkeys((*wanted.patients, *members)))
    for patient in wanted.patients:
        _require_present(reader, "Patient", patient, "patient")
    compartments = [of_patient(wanted.kind, patient) for patient in patients]
    if any(not clauses for clauses in compartments):
        message = f"Resources of the type {wanted.kind} belong to no patient, so none fits this filter."
        raise Invalid(Issue("invalid", message, "patient" if wanted.patients else "group", wanted.kind, "view-filter"))
    return compartments


def _members(reader: Reader, actor: Actor, ident: str) -> Iterator[str]:
    """The patients that are members of a group now."""
    limits = require(actor, "read", "Group")
    _require_present(reader, "Group", ident, "group")
    group = reader.get("Group", ident)
    limits.require(group.resource, group.reference)
    for member in group.resource.get("member") or ():
        kind, _, patient = str((member.get("entity") or {}).get("reference", "")).rpartition("/")
        if kind == "Patient" and not member.get("inactive"):
            yield patient


def _require_present(reader: Reader, kind: str, ident: str, name: str) -> None:
    found = reader.find(kind, ident)
    if found is None:
        raise NotFound(Issue("not-found", f"There is no {kind}/{ident}.", name, ident, "view-filter"))
    if found.deleted:
        raise Gone(Issue("deleted", f"{kind}/{ident} has been deleted.", name, ident, "view-filter"))


def _resources(
    reader: Reader, door: Door, kind: str, clauses: Sequence[Clause], among: tuple[Clause, ...]
) -> Iterator[Json]:
    query: Query = door.within(Query(kind, tuple(clauses), count=LARGEST_PAGE, among=among))
    while True:
        page = door.show_page(reader.search(query))
        for stored in page.matches:
            yield stored.resource
        if page.next is None:
            return
        query = replace(query, cursor=page.next)
