"""Orthoses and casts: what was decided, made, fitted, worn, changed and ended."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from uuid import uuid4

from service.domain.actor import Actor
from service.domain.orthosis.design import choice
from service.domain.orthosis.dose import Wear, require_sound
from service.domain.orthosis.episode import STATES, Episode, Event
from service.domain.orthosis.history import life_of
from service.domain.orthosis.statement import OrthosisEpisode, episode_of
from service.errors import Conflict, Duplicate, Invalid, Issue, NotFound
from service.fhir.course import COURSE_PROFILE, claims, from_episode_of_care
from service.fhir.orthosis.events import from_device_use
from service.fhir.orthosis.wear import from_observation, is_wear, to_observation
from service.fhir.search_parameters import parse
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.doors import Door, enter_operation
from service.usecases.merged import record_of
from service.usecases.orthosis_guard import Told, episodes_of, is_of_episode, keep
from service.usecases.resources import create, update

URI_SYSTEM = "urn:ietf:rfc:3986"
"""The system of keys the record makes itself: `urn:uuid:…`, as R4 has it for identifiers that are addresses."""


@contextmanager
def _placed(before: int) -> Iterator[None]:
    """What is wrong with an event among those given leaves with its place in that list, as `events[0]`.

    `before` is the number of the last event there was: the trade counts on from it.
    """
    try:
        yield
    except (Invalid, Conflict) as error:
        raise type(error)(*(_placed_issue(issue, before) for issue in error.issues)) from error


def _placed_issue(issue: Issue, before: int) -> Issue:
    named = re.match(r"event (\d+)", issue.where)
    if named is None or int(named[1]) <= before:
        return issue
    return replace(issue, where=f"events[{int(named[1]) - before - 1}]{issue.where[named.end() :]}")


def begin(writer: Writer, actor: Actor, episode: Episode) -> Told:
    """Write down a new episode, with what has happened already. Without a key it gets one.

    Raises `Duplicate` for a key that is taken, `Invalid` or `Conflict` for what cannot be.
    """
    with enter_operation(actor, "orthosis-events", episode.patient.removeprefix("Patient/")), _placed(0):
        return _begin(writer, actor, episode)


def _begin(writer: Writer, actor: Actor, episode: Episode) -> Told:
    key = episode.key if all(episode.key) else (URI_SYSTEM, f"urn:uuid:{uuid4()}")
    if writer.by_identifier("ServiceRequest", *key) or writer.by_identifier("Device", *key):
        message = "An orthosis episode with this key is already recorded."
        raise Duplicate(Issue("duplicate", message, "key", "|".join(key), "episode-key", "a key of its own"))
    patient = record_of(writer, episode.patient.removeprefix("Patient/")).id
    episode = replace(episode, patient=f"Patient/{patient}")
    _require_side_of_course(writer, patient, episode)
    return keep(writer, actor, replace(episode, key=key), episodes_of(writer, patient))


def _require_side_of_course(reader: Reader, patient: str, episode: Episode) -> None:
    for stored in reader.of_patient(patient, "EpisodeOfCare"):
        resource = stored.resource
        if not claims(resource, COURSE_PROFILE) or resource.get("status") != "active":
            continue
        affected = from_episode_of_care(resource).affected
        if affected and episode.design.side not in affected:
            message = "The orthosis is for a side that is not under treatment in the patient's course."
            expected = " or ".join(affected)
            raise Invalid(Issue("value", message, "design.side", episode.design.side, "side-of-course", expected))


def record(writer: Writer, actor: Actor, ident: str, events: Iterable[Event], *, after: int | None = None) -> Told:
    """Write down what happened to an orthosis: all of it, or nothing.

    `after` is the number of the last event the person saw; raises `Conflict` if there are more by now.
    """
    with enter_operation(actor, "orthosis-events") as door:
        told = _find(writer, door, ident)
        _require_seen(told, after)
        with _placed(max((event.place for event in told.episode.events), default=0)):
            return _keep(writer, actor, told.episode.with_events(events))


def retract(writer: Writer, actor: Actor, ident: str, place: int, reason: str, *, after: int | None = None) -> Told:
    """Take back an event that did not happen. It stays written, with the reason, and counts for nothing.

    Raises `NotFound` for a number that no event has, `Conflict` where the others cannot have happened without it.
    """
    if not reason.strip():
        message = "An event is taken back for a reason, which needs to be said."
        raise Invalid(Issue("required", message, "reason", reason, "reason-of-retraction", "the reason"))
    with enter_operation(actor, "orthosis-events") as door:
        told = _find(writer, door, ident)
        _require_seen(told, after)
        events = told.episode.events
        if not any(event.place == place and not event.retracted for event in events):
            raise NotFound(f"The episode has no event {place} that counts.")
        changed = tuple(replace(e, retracted=reason.strip()) if e.place == place else e for e in events)
        return _keep(writer, actor, replace(told.episode, events=changed))


def _require_seen(told: Told, after: int | None) -> None:
    last = max((event.place for event in told.episode.events), default=0)
    if after is not None and after != last:
        message = "More has happened to the orthosis than was seen."
        raise Conflict(Issue("conflict", message, "after", str(after), "last-event-seen", str(last)))


def _keep(writer: Writer, actor: Actor, episode: Episode) -> Told:
    return keep(writer, actor, episode, episodes_of(writer, episode.patient.removeprefix("Patient/")))


def _find(reader: Reader, door: Door, ident: str) -> Told:
    for kind in ("ServiceRequest", "Device"):
        stored = reader.find(kind, ident)
        if stored is None or stored.deleted:
            continue
        found = next((e for e in episodes_of(reader, stored.patient) if e.id == ident), None)
        if found:
            door.about(stored.patient)
            return Told(found, life_of(found))
    raise NotFound(f"There is no orthosis episode {ident}.")


def read_episode(reader: Reader, actor: Actor, ident: str) -> Told:
    """The episode with this id. Raises `NotFound` or `Forbidden`."""
    with enter_operation(actor, "orthoses") as door:
        return _find(reader, door, ident)


def orthoses_of(reader: Reader, actor: Actor, patient: str) -> list[Told]:
    """Every episode of a patient (by id), in the order in which they were recorded. Raises `NotFound`."""
    with enter_operation(actor, "orthoses", patient) as door:
        stored = record_of(reader, patient)
        door.about(stored.id)
        return [Told(episode, life_of(episode)) for episode in episodes_of(reader, stored.id)]


def list_episodes(
    reader: Reader, actor: Actor, *, patient: str = "", state: str = "", day: date | None = None
) -> list[Told]:
    """Episodes of one patient (by id) or of all, those in one state, or worn on one day. Raises `Invalid`."""
    unknown = choice("state", state, STATES) if state else []
    if unknown:
        raise Invalid(*unknown)
    found = orthoses_of(reader, actor, patient) if patient else _of_all(reader, actor, state)
    return [
        told
        for told in found
        if (not state or told.life.state == state) and (day is None or any(s.covers(day) for s in told.life.spans))
    ]


_PLAN_IN_STATE = {"planned": "active", "ready": "active", "worn": "active", "on-hold": "on-hold"}


def _of_all(reader: Reader, actor: Actor, state: str) -> list[Told]:
    """Every patient's episodes; where the state asked for tells the status of the plan, only those are looked at."""
    pairs = [("_count", "1000")]
    if state in _PLAN_IN_STATE:
        pairs.append(("status", _PLAN_IN_STATE[state]))
    with enter_operation(actor, "orthoses") as door:
        plans = [stored for stored in _all(reader, "ServiceRequest", pairs) if is_of_episode(stored)]
        patients = dict.fromkeys(stored.patient for stored in plans)
        for patient in patients:
            door.about(patient)
        episodes = [episode for patient in patients for episode in episodes_of(reader, patient)]
        return [Told(episode, life_of(episode)) for episode in episodes]


def _all(reader: Reader, kind: str, pairs: list[tuple[str, str]]) -> Iterator[Stored]:
    """Every match of a search, page by page."""
    page = reader.search(parse(kind, pairs))
    yield from page.matches
    while page.next:
        page = reader.search(parse(kind, [*pairs, ("_cursor", page.next)]))
        yield from page.matches


def record_wear(writer: Writer, actor: Actor, ident: str, wear: Iterable[Wear]) -> Told:
    """Write down hours worn, a day at a time: all of them, or none. The same day again, from the same source, replaces.

    Raises `Invalid` for what `dose.require_sound` refuses, each fault with its place in the list.
    """
    with enter_operation(actor, "orthosis-events") as door:
        told = _find(writer, door, ident)
        known = {(w.day, w.source): w.id for w in wear_of(writer, told.episode)}
        given = list(wear)
        require_sound(given, told.life, datetime.now(UTC))
        for one in given:
            use = find_orthosis(writer, actor, told.episode.key, one.day)
            if use is None:
                raise NotFound(f"The episode {ident} has no regimen that counts.")
            made = to_observation(told.episode, one, use.reference)
            before = known.get((one.day, one.source))
            if before:
                update(writer, actor, {**made, "id": before})
            else:
                create(writer, actor, made)
        return told


def wear_of(reader: Reader, episode: Episode) -> list[Wear]:
    """The hours worn that were written down for an episode."""
    pairs = [("identifier", _token(episode.key)), ("_count", "1000")]
    found = [stored.resource for stored in _all(reader, "Observation", pairs)]
    return [from_observation(each) for each in found if is_wear(each) and each.get("status") != "entered-in-error"]


def record_orthosis(writer: Writer, actor: Actor, stated: OrthosisEpisode) -> Stored:
    """Write down an orthosis and how it is worn, as another record tells it; answers the DeviceUseStatement.

    The same episode again changes nothing; its key with other content is refused.
    """
    made = episode_of(stated)
    known = {each.key: each for each in episodes_of(writer, made.patient.removeprefix("Patient/"))}.get(made.key)
    if known is None:
        begin(writer, actor, made)
    elif not _tells(known, made):
        message = "An orthosis episode with this key is already recorded, with other content."
        raise Duplicate(Issue("duplicate", message, "key", "|".join(made.key), "episode-key", "a key of its own"))
    found = find_orthosis(writer, actor, made.key)
    if found is None:
        raise NotFound(f"The episode {'|'.join(made.key)} has no regimen that counts.")
    return found


def _tells(known: Episode, made: Episode) -> bool:
    """Whether what is recorded begins as the statement tells it; more may have happened since."""
    first = known.events[: len(made.events)]
    return (known.design, known.name, [_bare(e) for e in first]) == (
        made.design,
        made.name,
        [_bare(e) for e in made.events],
    )


def _bare(event: Event) -> Event:
    return replace(event, id="")


def find_orthosis(reader: Reader, _actor: Actor, key: tuple[str, str], day: date | None = None) -> Stored | None:
    """The DeviceUseStatement of the regimen in force on a day, or the last before it; without a day, the last.

    None where no regimen of this episode counts.
    """
    page = reader.search(parse("DeviceUseStatement", [("identifier", _token(key)), ("_count", "1000")]))
    begun: list[tuple[datetime, int, Stored]] = []
    for stored in page.matches:
        resource = stored.resource
        if resource.get("status") != "entered-in-error":
            worn = from_device_use(resource)
            if day is None or worn.day <= day:
                begun.append((worn.at.astimezone(UTC), worn.place, stored))
    return max(begun, key=lambda each: each[:2])[2] if begun else None


def _token(key: tuple[str, str]) -> str:
    """The key as a search has it, what the search would read as a sign of its own escaped."""
    return "|".join("".join(f"\\{c}" if c in "\\|,$" else c for c in part) for part in key)
