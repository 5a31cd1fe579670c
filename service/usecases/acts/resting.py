"""What rests on a reading or on anything else of a patient's record: where did this value go?"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from service.domain.actor import Actor
from service.domain.anatomy import PERSON
from service.fhir.acts import REPLACES
from service.fhir.bundle_references import local_references
from service.fhir.compartment import kinds_of_a_record
from service.fhir.derived import METRIC_SYSTEM, is_derived
from service.fhir.observation import OBSERVATION_CODE, SITE_SYSTEM
from service.fhir.plans import GOAL_PROFILE, from_goal
from service.fhir.reading import code_in, is_panel
from service.fhir.text import Json
from service.storage.departures import Departure
from service.storage.records import Reader
from service.storage.stored import Stored
from service.usecases.course_reading import claiming
from service.usecases.doors import enter_operation, may_see

_REFERENCE = re.compile(rb'"reference":"([A-Za-z]+/[A-Za-z0-9.\-]{1,64})')
_HOW = {
    "Goal": "goal",
    "ChargeItem": "charge",
    "Task": "task",
    "DocumentReference": "document",
    "Composition": "document",
    "DiagnosticReport": "document",
    "Provenance": "provenance",
}
"""What it is that rests on something, by its type."""


@dataclass(frozen=True, slots=True)
class Resting:
    """One resource that rests on something: how, on what (a reference), and where in it that is said.

    `how` is `derived result`, `whole of an arc`, `replacement`, `goal`, `charge`, `task`, `document`, `provenance`,
    `measured goal` (a goal for what was measured, which refers to no reading), or `refers to it`.
    """

    stored: Stored
    how: str
    on: str
    where: str


@dataclass(frozen=True, slots=True)
class Affected:
    """What rests on an Observation as far as this person may see it; `withheld` counts the rest.

    `left` is with what any of it has left the record.
    """

    observation: Stored
    resting: tuple[Resting, ...]
    withheld: int
    left: tuple[Departure, ...] = ()


def affected(reader: Reader, actor: Actor, ident: str) -> Affected:
    """Where the value of an Observation went. Raises `NotFound`, `Gone` or `Forbidden`."""
    with enter_operation(actor, "affected") as door:
        stored = reader.get("Observation", ident)
        door.about(stored.patient)
        found = resting_on(reader, {stored.patient}, {stored.reference})
        shown = tuple(each for each in found if may_see(actor, each.stored))
        left = left_with(reader, {stored.reference}, shown)
        return Affected(stored, shown, len(found) - len(shown), tuple(left))


def left_with(reader: Reader, roots: Iterable[str], resting: Iterable[Resting]) -> list[Departure]:
    """With what these (references), or what rests on them, have left the record."""
    names = {*roots, *(each.stored.reference for each in resting)}
    return reader.departures({(kind, ident) for kind, _, ident in (name.partition("/") for name in names)})


def resting_on(reader: Reader, patients: Collection[str], roots: Collection[str]) -> list[Resting]:
    """All that rests on these (references), directly or through something else, in the records of these patients.

    Each is named once, with the nearest thing it rests on; the roots themselves are left out.
    """
    pointing = _pointing(reader, patients)
    found: dict[str, Resting] = {}
    wave = list(dict.fromkeys(roots))
    while wave:
        fresh: list[str] = []
        for target in wave:
            for stored in pointing.get(target, ()):
                if stored.reference not in found and stored.reference not in roots:
                    found[stored.reference] = _told(stored, target)
                    fresh.append(stored.reference)
        wave = fresh
    seen = {*roots, *found}
    others = [*_measured(reader, patients, [*roots, *found]), *_vouched(reader, [*roots, *found])]
    return [*found.values(), *(each for each in others if each.stored.reference not in seen)]


def _pointing(reader: Reader, patients: Iterable[str]) -> dict[str, list[Stored]]:
    """By reference, who refers to it: read from the texts, since not every reference is indexed."""
    pointing: dict[str, list[Stored]] = {}
    for patient in sorted(set(patients) - {""}):
        for kind in kinds_of_a_record():
            for stored in reader.of_patient(patient, kind):
                for target in dict.fromkeys(_REFERENCE.findall(stored.body)):
                    pointing.setdefault(target.decode(), []).append(stored)
    return pointing


def _told(stored: Stored, target: str) -> Resting:
    resource = stored.resource
    places = [link.where for link in local_references(resource) if "/".join(link.key) == target]
    where = places[0] if places else ""
    return Resting(stored, _how(resource, where), target, where)


def _how(resource: Json, where: str) -> str:
    if ".extension[" in where and _is_replacement(resource, where):
        return "replacement"
    if is_derived(resource):
        return "derived result"
    if is_panel(resource):
        return "whole of an arc"
    return _HOW.get(str(resource["resourceType"]), "refers to it")


def _is_replacement(resource: Json, where: str) -> bool:
    place = re.search(r"\.extension\[(\d+)\]\.value", where)
    return place is not None and resource["extension"][int(place[1])].get("url") == REPLACES


def _measured(reader: Reader, patients: Iterable[str], roots: Iterable[str]) -> Iterator[Resting]:
    """The goals whose measure and site are those of a reading or result: whether they are reached is told by it."""
    measured: dict[tuple[str, str], str] = {}
    for root in roots:
        kind, _, ident = root.partition("/")
        stored = reader.find(kind, ident) if kind == "Observation" else None
        if stored is not None and not stored.deleted:
            measured.setdefault(_measure(stored.resource), root)
    for patient in sorted(set(patients) - {""}):
        for stored in claiming(reader, patient, "Goal", GOAL_PROFILE) if measured else ():
            goal = from_goal(stored.resource)
            on = measured.get((goal.code or goal.metric, goal.site.code))
            if on:
                yield Resting(stored, "measured goal", on, "Goal.target")


def _measure(resource: Json) -> tuple[str, str]:
    """What was measured, or which metric it is a result of, and where; two empty texts for anything else."""
    code = code_in(resource.get("code"), METRIC_SYSTEM if is_derived(resource) else OBSERVATION_CODE)
    return (code, code_in(resource.get("bodySite"), SITE_SYSTEM) or PERSON) if code else ("", "")


def _vouched(reader: Reader, references: Iterable[str]) -> Iterator[Resting]:
    """The Provenances about any of these: who entered, signed, computed or corrected it."""
    by_kind: dict[str, list[str]] = {}
    for reference in references:
        kind, _, ident = reference.partition("/")
        by_kind.setdefault(kind, []).append(ident)
    seen: set[str] = set()
    for kind, idents in by_kind.items():
        for stored in reader.pointing("Provenance", "target", kind, idents):
            if stored.reference not in seen:
                seen.add(stored.reference)
                yield _about(stored, kind, set(idents))


def _about(stored: Stored, kind: str, idents: Collection[str]) -> Resting:
    link = next(each for each in local_references(stored.resource) if each.key[0] == kind and each.key[1] in idents)
    return Resting(stored, "provenance", "/".join(link.key), link.where)
