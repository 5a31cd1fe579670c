"""What holds for orthosis episodes whichever door a change comes through.

An episode is what its resources state. Whoever adds one of these, the episode is read anew with it, replayed from its
beginning, held against the patient's other orthoses, and its statuses are set as they follow; what cannot be undoes
the whole change. None of these resources is updated or deleted directly: an event corrects an episode, not an edit.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from service.domain.actor import Actor
from service.domain.orthosis.checks import require_together
from service.domain.orthosis.episode import Episode
from service.domain.orthosis.history import life_of
from service.domain.orthosis.life import Life
from service.errors import Conflict, Invalid, Issue
from service.fhir.billing_names import is_decided
from service.fhir.orthosis.episode import components_of, from_resources, key_of, to_resources
from service.fhir.orthosis.names import TYPES, claimed
from service.fhir.text import Json
from service.fhir.validation import require_valid
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.signing import marked


@dataclass(frozen=True, slots=True)
class Told:
    """An episode and what its events come to."""

    episode: Episode
    life: Life


def refuse_direct_change(after: Json | None, before: Stored | None) -> None:
    """Raises `Conflict` for the update or deletion of a resource of an episode, as it stands or as it would be.

    Confirmations and charges have a life of states too.
    """
    known = before is not None and not before.deleted and before.type in ("Task", "ChargeItem")
    refuse_direct_decision(after, before.resource if before and known else None)
    if (after is None or not claimed(after)) and (before is None or not is_of_episode(before)):
        return
    message = "What belongs to an orthosis episode is neither updated nor deleted directly; its events change it."
    expected = "POST /orthosis-episodes/{id}/events, or a new resource of the episode"
    where = before.type if before else str(after and after["resourceType"])
    raise Conflict(Issue("business-rule", message, where, rule="life-of-states", expected=expected))


def refuse_direct_decision(*resources: Json | None) -> None:
    """Raises `Conflict` where one of these is a confirmation or a charge: a biller's decision alone writes those."""
    decided = next((each for each in resources if each is not None and is_decided(each)), None)
    if decided is not None:
        message = "Confirmations and charges are written by a biller's decision, and by nothing else."
        expected = "POST /billing/orthosis-episodes/{id}/…"
        where = str(decided["resourceType"])
        raise Conflict(Issue("business-rule", message, where, rule="life-of-states", expected=expected))


def is_of_episode(stored: Stored) -> bool:
    """Whether a resource belongs to an orthosis episode."""
    return stored.type in TYPES and not stored.deleted and bool(claimed(stored.resource))


def episodes_of(reader: Reader, patient: str) -> list[Episode]:
    """Every episode of a patient (by id), in the order in which they were recorded."""
    return from_resources(stored.resource for kind in TYPES for stored in reader.of_patient(patient, kind))


def settle(writer: Writer, actor: Actor, created: Iterable[Stored]) -> None:
    """Hold what was created to the rules of episodes, and set what follows from it.

    Raises `Invalid` or `Conflict`, which undoes the change.
    """
    touched: dict[str, set[tuple[str, str]]] = {}
    for stored in created:
        if stored.type in ("Task", "ChargeItem"):
            refuse_direct_decision(stored.resource)
        if is_of_episode(stored):
            touched.setdefault(stored.patient, set()).add(key_of(stored.resource))
    for patient, keys in touched.items():
        told = {each.key: each for each in episodes_of(writer, patient)}
        for key in keys:
            if key not in told or _is_anothers(writer, key, patient):
                message = "An orthosis episode belongs to one patient."
                raise Invalid(Issue("business-rule", message, "identifier", "|".join(key), "one-patient"))
            keep(writer, actor, told[key], list(told.values()))


def _is_anothers(reader: Reader, key: tuple[str, str], patient: str) -> bool:
    """Whether the identifier of an episode is that of another patient's."""
    found = reader.by_identifier("ServiceRequest", *key)
    return found is not None and found.patient != patient


def keep(writer: Writer, actor: Actor, episode: Episode, others: Iterable[Episode]) -> Told:
    """Write an episode down as its events have it; `others` are the patient's other episodes.

    Raises `Invalid` or `Conflict` for what cannot have happened, alone or together with the others.
    """
    life = life_of(episode, datetime.now(UTC))
    require_together([*(other for other in others if other.key != episode.key), episode])
    whole = _identified(episode)
    for resource in to_resources(whole, life_of(whole)):
        _write(writer, actor, resource)
    return Told(whole, life)


def _identified(episode: Episode) -> Episode:
    ident = episode.id or str(uuid4())
    parts = {each.name: each.id or str(uuid4()) for each in components_of(episode)}
    events = []
    for event in episode.events:
        component = event.component and replace(event.component, id=parts[event.component.name])
        events.append(replace(event, id=event.id or str(uuid4()), component=component))
    components = tuple(replace(each, id=parts[each.name]) for each in episode.design.components)
    return replace(
        episode,
        id=ident,
        device_id=episode.device_id or ident,
        request_id=episode.request_id or ident,
        design=replace(episode.design, components=components),
        events=tuple(events),
    )


def _write(writer: Writer, actor: Actor, resource: Json) -> None:
    """Store what is new; of what is there, change only what follows from the events."""
    require_valid(resource)
    present = writer.find(resource["resourceType"], resource["id"])
    if present is None:
        writer.create(marked(resource, actor), id=resource["id"])
        return
    before = {} if present.deleted else present.resource
    after = _merged(before, resource)
    if after != before:
        writer.update(marked(after, actor))


def _merged(before: Json, ours: Json) -> Json:
    """The resource with our statements in place of those it had, and everything else as it stands."""
    mine = {str(each["url"]) for each in ours.get("extension", ())}
    foreign = [each for each in before.get("extension") or [] if each.get("url") not in mine]
    meta: dict[str, Any] = dict(before.get("meta") or {})
    meta["profile"] = list(dict.fromkeys([*(meta.get("profile") or []), *ours["meta"]["profile"]]))
    merged = {**before, **ours, "meta": meta}
    extensions = [*foreign, *ours.get("extension", ())]
    return {**merged, "extension": extensions} if extensions else merged
