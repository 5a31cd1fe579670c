"""Entries of the wrong patient: a visit or an orthosis episode goes to the patient whose it was.

What stood in the wrong record is entered in error there, with its content as it was; in the other record stands what
says which it replaces.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from uuid import uuid4

from service.domain.measurement import Measurement
from service.domain.orthosis.episode import Episode, Event
from service.errors import Conflict, Invalid, Issue, NotFound
from service.fhir.bundle_references import local_references
from service.fhir.derived import is_derived
from service.fhir.merging import pointed_anew
from service.fhir.orthosis.episode import components_of
from service.fhir.orthosis.wear import is_wear
from service.fhir.reading import from_observation, kind_claimed
from service.fhir.text import Json
from service.storage.stored import Stored
from service.usecases.acts.deed import Deed
from service.usecases.acts.fitting import fitted, in_place_of, with_cautions
from service.usecases.orthoses import URI_SYSTEM
from service.usecases.orthosis_guard import episodes_of, keep
from service.usecases.people import find_patient
from service.usecases.signing import WITHDRAWN, observations_of
from service.usecases.visit_input import Person


def move(deed: Deed, to: Person, visits: Sequence[str], episodes: Sequence[str]) -> None:
    """Move visits (by the ids of their Encounters) and orthosis episodes (by id) to another patient.

    A reading that was taken in an orthosis goes where the orthosis is: both are named, or neither. Raises `Conflict`
    for what is that patient's already, belongs to several, or was withdrawn.
    """
    target = find_patient(deed.writer, to)
    encounters = [deed.writer.get("Encounter", ident) for ident in visits]
    worn = [_episode(deed, ident) for ident in episodes]
    source = _source(encounters, worn, target)
    deed.about(source, target.id)
    entries = [each for visit in encounters for each in _entries(deed, visit)]
    wear = [each for episode in worn for each in _wear(deed, source, episode)]
    roots = {each.reference for each in (*encounters, *entries, *wear)}
    deed.look({source}, roots | {name for episode in worn for name in _names(episode)})
    known = {f"Patient/{source}": target.reference}
    for episode in worn:
        known |= _move_episode(deed, episode, target)
    known |= {each.reference: f"{each.type}/{deed.writer.new_id()}" for each in (*encounters, *entries, *wear)}
    _require_together(deed, known, entries, worn)
    _move_all(deed, target, [*entries, *wear], known)
    _move_visits(deed, encounters, known)
    deed.replaced |= {old: new for old, new in known.items() if not old.startswith("Patient/")}
    if any(each.how == "derived result" for each in deed.resting):
        deed.wanted = {target.id: {known[visit.reference] for visit in encounters}}


def _source(encounters: Iterable[Stored], worn: Iterable[Episode], target: Stored) -> str:
    patients = {visit.patient for visit in encounters} | {each.patient.removeprefix("Patient/") for each in worn}
    if len(patients) != 1:
        message = "An act moves what stands in one patient's record."
        raise Conflict(Issue("business-rule", message, "visits", ", ".join(sorted(patients)), "one-patient"))
    (source,) = patients
    if source == target.id:
        raise Conflict(Issue("business-rule", "It is this patient's already.", "to", target.id, "another-patient"))
    return source


def _episode(deed: Deed, ident: str) -> Episode:
    for kind in ("ServiceRequest", "Device"):
        stored = deed.writer.find(kind, ident)
        if stored is not None and not stored.deleted:
            for episode in episodes_of(deed.writer, stored.patient):
                if episode.id == ident:
                    return episode
    raise NotFound(f"There is no orthosis episode {ident}.")


def _entries(deed: Deed, visit: Stored) -> list[Stored]:
    if visit.resource.get("status") in WITHDRAWN:
        message = "The visit was entered in error; there is nothing to move."
        raise Conflict(Issue("business-rule", message, "visits", visit.id, "move"))
    found = observations_of(deed.writer, visit)
    return [each for each in found if not is_derived(each.resource) and each.resource.get("status") not in WITHDRAWN]


def _wear(deed: Deed, patient: str, episode: Episode) -> list[Stored]:
    """The hours worn that were written down for an episode."""
    key = {"system": episode.key[0], "value": episode.key[1]}
    found = deed.writer.of_patient(patient, "Observation")
    return [each for each in found if is_wear(each.resource) and _counts(each) and key in each.resource["identifier"]]


def _counts(stored: Stored) -> bool:
    return stored.resource.get("status") not in WITHDRAWN


def _names(episode: Episode) -> list[str]:
    """The references of all that an episode consists of."""
    own = [f"ServiceRequest/{episode.id}", f"DeviceRequest/{episode.request_id}", f"Device/{episode.device_id}"]
    parts = [f"Device/{each.id}" for each in components_of(episode)]
    return [*own, *parts, *(_name(event) for event in episode.events)]


def _name(event: Event) -> str:
    return f"{'DeviceUseStatement' if event.regimen else 'Procedure'}/{event.id}"


def _move_episode(deed: Deed, episode: Episode, target: Stored) -> dict[str, str]:
    """State the episode in the other record under a key of its own, and take it back here; what became of what."""
    events = tuple(
        replace(event, id="", component=event.component and replace(event.component, id="")) for event in episode.events
    )
    parts = tuple(replace(each, id="") for each in episode.design.components)
    fresh = replace(
        episode,
        key=(URI_SYSTEM, f"urn:uuid:{uuid4()}"),
        patient=target.reference,
        design=replace(episode.design, components=parts),
        events=events,
        id="",
        device_id="",
        request_id="",
    )
    made = keep(deed.writer, deed.actor, fresh, episodes_of(deed.writer, target.id)).episode
    plan = deed.writer.get("ServiceRequest", made.id).resource
    deed.writer.update({**plan, "replaces": [{"reference": f"ServiceRequest/{episode.id}"}]})
    back = Event("entered-in-error", deed.now, by_name=deed.actor.name, note=deed.terms.reason)
    others = episodes_of(deed.writer, episode.patient.removeprefix("Patient/"))
    keep(deed.writer, deed.actor, episode.with_events([back]), others)
    return dict(zip(_names(episode), _names(made), strict=True))


def _require_together(deed: Deed, known: Mapping[str, str], entries: Sequence[Stored], worn: Sequence[Episode]) -> None:
    """Raises `Conflict` where a reading and the orthosis in which it was taken would part."""
    uses = {_name(event) for episode in worn for event in episode.events if event.regimen}
    parting = [each for each in entries if any(_is_worn(key) and key not in uses for key in _keys(each.resource))]
    staying = [each.stored for each in deed.resting if each.on in uses and _reading_left(each.stored, known)]
    if parting or staying:
        message = "A reading was taken in an orthosis, and only one of the two would be moved."
        names = ", ".join(each.reference for each in (*parting, *staying))
        expected = "the visit and the orthosis episode in one act"
        raise Conflict(Issue("business-rule", message, "visits", names, "orthosis-of-reading", expected))


def _keys(resource: Json) -> list[str]:
    return ["/".join(link.key) for link in local_references(resource)]


def _is_worn(reference: str) -> bool:
    return reference.startswith("DeviceUseStatement/")


def _reading_left(stored: Stored, known: Mapping[str, str]) -> bool:
    return stored.type == "Observation" and stored.reference not in known and _counts(stored)


def _move_all(deed: Deed, target: Stored, entries: Sequence[Stored], known: Mapping[str, str]) -> None:
    """State every Observation in the other record, held against that patient, and withdraw it here."""
    keys = _keys_moved(deed, known)
    copies = [(each, _copy(each.resource, known, keys)) for each in entries]
    readings = {old.reference: from_observation(new) for old, new in copies if kind_claimed(new) is not None}
    after = dict(zip(readings, fitted(deed, target.id, list(readings.items())), strict=True))
    for old, new in copies:
        made = _cautioned(new, readings.get(old.reference), after.get(old.reference))
        deed.withdraw(old)
        deed.put({**in_place_of(made, old), "id": known[old.reference].removeprefix("Observation/")})


def _keys_moved(deed: Deed, known: Mapping[str, str]) -> list[tuple[Json, Json]]:
    """The identifiers of the episodes moved: as they were, and as they are in the other record."""
    found = []
    for old, new in known.items():
        if old.startswith("ServiceRequest/"):
            before, after = (deed.writer.get("ServiceRequest", each.partition("/")[2]) for each in (old, new))
            found.append((before.resource["identifier"][0], after.resource["identifier"][0]))
    return found


def _copy(resource: Json, known: Mapping[str, str], keys: Sequence[tuple[Json, Json]]) -> Json:
    made: Json = pointed_anew({k: v for k, v in resource.items() if k != "issued"}, known)
    identifiers = made.get("identifier")
    if identifiers:
        anew = [next((new for old, new in keys if old == each), each) for each in identifiers]
        made = {**made, "identifier": anew}
    return made


def _cautioned(resource: Json, before: Measurement | None, after: Measurement | None) -> Json:
    return with_cautions(resource, before, after) if before and after else resource


def _move_visits(deed: Deed, encounters: Iterable[Stored], known: Mapping[str, str]) -> None:
    for visit in encounters:
        made: Json = pointed_anew(visit.resource, known)
        deed.withdraw(visit)
        deed.put({**made, "id": known[visit.reference].removeprefix("Encounter/")})


def require_something(visits: Sequence[str], episodes: Sequence[str]) -> None:
    """Raises `Invalid` where nothing is named that is to be moved."""
    if not (visits or episodes):
        raise Invalid(Issue("required", "Nothing is named that is to be moved.", "visits", rule="move"))
