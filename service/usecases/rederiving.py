"""Derived results follow the readings they rest on, in the same transaction as the change.

Whoever changes, withdraws or deletes a reading, through whichever door, what was derived from it is computed anew: it
becomes the next version, or is marked entered-in-error where it no longer follows. Nothing is derived that nobody asked
for: only visits of which results were stored are looked at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime

from service.domain.actor import Actor
from service.domain.metric import Parameters
from service.domain.metrics import METRICS
from service.fhir import text
from service.fhir.derived import RETIRED, all_derived, is_derived, provenance_of, restated, retired
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.computing import compute

NO_LONGER = "The readings it was computed from no longer give this result."


_waiting: ContextVar[list[Stored] | None] = ContextVar("waiting", default=None)


def rederive(writer: Writer, actor: Actor, changed: Iterable[Stored]) -> None:
    """Bring what was derived from these Observations up to date, with one Provenance for all that changed by that."""
    waiting = _waiting.get()
    if waiting is not None:
        waiting.extend(changed)
        return
    followed = follow(writer, changed)
    if followed:
        writer.create(provenance_of([each.reference for each in followed], datetime.now(UTC), actor.name))


@contextmanager
def derived_once(writer: Writer, actor: Actor) -> Iterator[None]:
    """Many changes of one transaction: what was derived follows once, when the block is left."""
    waiting: list[Stored] = []
    before = _waiting.set(waiting)
    try:
        yield
    finally:
        _waiting.reset(before)
    rederive(writer, actor, waiting)


def follow(writer: Writer, changed: Iterable[Stored], wanted: Mapping[str, set[str]] | None = None) -> list[Stored]:
    """Bring what was derived from these readings up to date; answers what changed by that.

    `wanted` names further visits (by patient id, references to Encounters) whose results are to be stored.
    """
    readings = [each for each in changed if each.type == "Observation"]
    touched = derived_from(writer, (each.id for each in readings))
    visits: dict[str, set[str]] = {patient: set(them) for patient, them in (wanted or {}).items()}
    for each in (*touched, *(reading for reading in readings if touched)):
        if each.patient and not each.deleted:
            visits.setdefault(each.patient, set()).add(_visit(each.resource))
    followed: list[Stored] = []
    for patient, encounters in visits.items():
        followed += _follow(writer, patient, encounters - {""}, [each for each in touched if each.patient == patient])
    return followed


def derived_from(reader: Reader, idents: Iterable[str]) -> list[Stored]:
    """The derived results that rest on these Observations (by id) and still stand."""
    found = reader.pointing("Observation", "derived-from", "Observation", list(idents))
    return [each for each in found if is_derived(each.resource) and each.resource.get("status") != RETIRED]


def standing(made: Iterable[Json], reader: Reader) -> Iterator[Json]:
    """Derived Observations as they are to be stored: with the status that follows from what they said before."""
    for each in made:
        before = reader.find("Observation", str(each["id"]))
        # As it will be read again, so that the same number is known to be the same.
        again = text.parse(text.dump(each))
        yield again if before is None or before.deleted else restated(again, before.resource)


def withdrawn(resource: Json) -> Json:
    """A derived result that no longer follows from its readings, as it is to be stored."""
    return retired({name: value for name, value in resource.items() if name != "meta"}, NO_LONGER)


def is_withdrawn(resource: Json) -> bool:
    """Whether it is a derived result that no longer follows from its readings."""
    return is_derived(resource) and resource.get("status") == RETIRED


def _visit(resource: Json) -> str:
    return str((resource.get("encounter") or {}).get("reference", ""))


def _follow(writer: Writer, patient: str, encounters: set[str], touched: list[Stored]) -> list[Stored]:
    person = writer.find("Patient", patient)
    ids = {each.id for each in touched}
    made: list[Json] = []
    if person is not None and not person.deleted:
        results = compute(writer, person, METRICS.values(), Parameters()).results
        made = [each for each in all_derived(results) if each["id"] in ids or _visit(each) in encounters]
    kept = {str(each["id"]) for each in made}
    gone = [withdrawn(each.resource) for each in touched if each.id not in kept]
    return [done for each in (*standing(made, writer), *gone) if (done := _changed(writer, each)) is not None]


def _changed(writer: Writer, resource: Json) -> Stored | None:
    before = writer.find("Observation", str(resource["id"]))
    stored = writer.update(resource)
    return None if before is not None and before.version == stored.version else stored
