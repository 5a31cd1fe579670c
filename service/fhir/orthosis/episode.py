"""An episode as the resources it consists of, and back: its state follows from these resources alone.

ServiceRequest (the plan), DeviceRequest (the order, which contains the design as decided), Device (the made object as
it is now, with its components as child Devices), a DeviceUseStatement for each regimen, a Procedure for each other
event. All share the identifier of the episode.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

from service.domain.anatomy import SIDES, Side
from service.domain.orthosis.design import Component, Design
from service.domain.orthosis.episode import Episode, Event, Series
from service.domain.orthosis.life import Life
from service.domain.orthosis.naming import descriptive_name
from service.errors import Invalid, Issue
from service.fhir.observation import SITE_SYSTEM
from service.fhir.orthosis.device import from_device, sites_of, to_properties
from service.fhir.orthosis.events import from_device_use, from_procedure, to_device_use, to_procedure
from service.fhir.orthosis.names import (
    COMPONENT_PROFILE,
    EVENT_PROFILE,
    ORDER_PROFILE,
    ORTHOSIS_PROFILE,
    PLAN_PROFILE,
    WEARING_PROFILE,
    claimed,
    nested,
    person,
    simple,
    value_of,
)
from service.fhir.orthosis.statuses import statuses_of
from service.fhir.reading import code_in
from service.fhir.text import Json

Key = tuple[str, str]


def to_resources(episode: Episode, life: Life) -> list[Json]:
    """Every resource of an episode, whose parts all have their ids; what is referred to comes first."""
    spans = {span.since.place: span for span in life.spans}
    found = [_plan(episode, life), _order(episode, life), _device(episode, life), *_components(episode, life)]
    for event in episode.events:
        if event.regimen:
            found.append(to_device_use(episode, life, event, spans.get(event.place)))
        else:
            found.append(to_procedure(episode, life, event))
    return [{name: value for name, value in resource.items() if value not in ([], "")} for resource in found]


def _identifier(episode: Episode) -> list[Json]:
    return [{"system": episode.key[0], "value": episode.key[1]}]


def _plan(episode: Episode, life: Life) -> Json:
    series = episode.series
    found: Json = {
        "resourceType": "ServiceRequest",
        "id": episode.id,
        "meta": {"profile": [PLAN_PROFILE]},
        "extension": simple("goal", "String", episode.goal),
        "identifier": _identifier(episode),
        "status": statuses_of(life).plan,
        "intent": "order",
        "code": {"text": descriptive_name(episode.design)},
        "subject": {"reference": episode.patient},
        "authoredOn": episode.decided.isoformat(),
        "bodySite": sites_of(episode.design),
    }
    if series:
        parts = [("name", "String", series.name), ("number", "PositiveInt", series.number)]
        found["extension"] = [*found["extension"], nested("series", [*parts, ("reason", "String", series.reason)])]
    by = person(episode.by, episode.by_name)
    if by:
        found["requester"] = by
    if episode.reason:
        found["reasonCode"] = [{"text": episode.reason}]
    if episode.planned:
        found["occurrenceDateTime"] = episode.planned.isoformat()
    return found


def _order(episode: Episode, life: Life) -> Json:
    return {
        "resourceType": "DeviceRequest",
        "id": episode.request_id,
        "meta": {"profile": [ORDER_PROFILE]},
        "contained": [{"resourceType": "Device", "id": "design", "property": to_properties(episode.design)}],
        "identifier": _identifier(episode),
        "basedOn": [{"reference": f"ServiceRequest/{episode.id}"}],
        "status": statuses_of(life).order,
        "intent": "order",
        "codeReference": {"reference": "#design"},
        "subject": {"reference": episode.patient},
        "authoredOn": episode.decided.isoformat(),
    }


def _device(episode: Episode, life: Life) -> Json:
    table = statuses_of(life)
    names = [{"name": episode.name, "type": "user-friendly-name"}] if episode.name else []
    names += [{"name": name, "type": "other"} for name in episode.names]
    reason = {"system": "http://terminology.hl7.org/CodeSystem/device-status-reason", "code": table.reason}
    return {
        "resourceType": "Device",
        "id": episode.device_id,
        "meta": {"profile": [ORTHOSIS_PROFILE]},
        "identifier": _identifier(episode),
        "status": table.device,
        "statusReason": [{"coding": [reason]}],
        "deviceName": names,
        "type": {"text": descriptive_name(life.design)},
        "property": to_properties(life.design),
        "patient": {"reference": episode.patient},
    }


def components_of(episode: Episode) -> list[Component]:
    """Every component it has or had, in the order in which they came."""
    added = [event.component for event in episode.events if event.kind == "component-added" and event.component]
    return list({component.name: component for component in (*episode.design.components, *added)}.values())


def _components(episode: Episode, life: Life) -> Iterator[Json]:
    present = {component.name for component in life.design.components}
    for component in components_of(episode):
        yield {
            "resourceType": "Device",
            "id": component.id,
            "meta": {"profile": [COMPONENT_PROFILE]},
            "identifier": _identifier(episode),
            "status": statuses_of(life).device if component.name in present else "inactive",
            "deviceName": [{"name": component.name, "type": "user-friendly-name"}],
            "patient": {"reference": episode.patient},
            "parent": {"reference": f"Device/{episode.device_id}"},
        }


def key_of(resource: Mapping[str, Any]) -> Key:
    """The identifier by which a resource belongs to its episode. Raises `Invalid` for one without."""
    given = resource.get("identifier") or []
    found = next(((str(i["system"]), str(i["value"])) for i in given if i.get("system") and i.get("value")), None)
    if found is None:
        kind = resource.get("resourceType", "")
        message = "What belongs to an orthosis episode carries the identifier of the episode."
        raise Invalid(Issue("required", message, f"{kind}.identifier", "", "episode-identifier", "system and value"))
    return found


def from_resources(resources: Iterable[Json]) -> list[Episode]:
    """The episodes that these resources state. Raises `Invalid` for what states none."""
    groups: dict[Key, dict[str, list[Json]]] = {}
    for resource in resources:
        url = claimed(resource)
        if url:
            groups.setdefault(key_of(resource), {}).setdefault(url, []).append(resource)
    return [_read(key, group) for key, group in groups.items()]


def _read(key: Key, group: Mapping[str, Sequence[Json]]) -> Episode:
    try:
        return _episode(key, group)
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as problem:
        message = "A part of the orthosis episode has not the form that its profile gives it."
        raise Invalid(Issue("structure", message, "", "|".join(key), "form-of-episode")) from problem


def _episode(key: Key, group: Mapping[str, Sequence[Json]]) -> Episode:
    uses, procedures = group.get(WEARING_PROFILE, ()), group.get(EVENT_PROFILE, ())
    device = _one(key, group, ORTHOSIS_PROFILE, "Device")
    if PLAN_PROFILE not in group and ORDER_PROFILE not in group and not procedures:
        return _older(key, device, uses)
    plan = _one(key, group, PLAN_PROFILE, "ServiceRequest")
    order = _one(key, group, ORDER_PROFILE, "DeviceRequest")
    design = _design_in(order)
    parts = {str(each["deviceName"][0]["name"]): str(each.get("id", "")) for each in group.get(COMPONENT_PROFILE, ())}
    events = [_with_part(from_procedure(each), parts) for each in procedures] + [from_device_use(u) for u in uses]
    requester = plan.get("requester") or {}
    names = device.get("deviceName") or []
    return Episode(
        key=key,
        patient=str((plan.get("subject") or {}).get("reference", "")),
        decided=_day(plan.get("authoredOn"), "ServiceRequest.authoredOn"),
        design=replace(design, components=tuple(_identified(c, parts) for c in design.components)),
        events=_numbered(events),
        name=next((str(n.get("name", "")) for n in names if n.get("type") == "user-friendly-name"), ""),
        names=tuple(str(n.get("name", "")) for n in names if n.get("type") == "other"),
        by=str(requester.get("reference", "")),
        by_name=str(requester.get("display", "")),
        reason=str((plan.get("reasonCode") or [{}])[0].get("text", "")),
        goal=str(value_of(plan, "goal", "")),
        planned=_day(plan["occurrenceDateTime"], "") if plan.get("occurrenceDateTime") else None,
        series=_series(plan),
        id=str(plan.get("id", "")),
        device_id=str(device.get("id", "")),
        request_id=str(order.get("id", "")),
    )


def _one(key: Key, group: Mapping[str, Sequence[Json]], url: str, kind: str) -> Json:
    found = group.get(url, ())
    if len(found) != 1:
        message = f"An orthosis episode has exactly one {kind} of its profile; there are {len(found)}."
        expected = "the whole episode in one transaction, or POST /orthosis-episodes"
        raise Invalid(Issue("business-rule", message, kind, "|".join(key), "whole-episode", expected))
    return found[0]


def _design_in(order: Json) -> Design:
    contained = {each.get("id"): each for each in order.get("contained") or []}
    referred = str((order.get("codeReference") or {}).get("reference", "")).removeprefix("#")
    if referred not in contained:
        message = "The order of an orthosis contains the design as a Device."
        raise Invalid(Issue("required", message, "DeviceRequest.codeReference", referred, "design-of-order", "#design"))
    return from_device(contained[referred])


def _with_part(event: Event, parts: Mapping[str, str]) -> Event:
    return replace(event, component=_identified(event.component, parts)) if event.component else event


def _identified(component: Component, parts: Mapping[str, str]) -> Component:
    return replace(component, id=parts.get(component.name, ""))


def _numbered(events: Iterable[Event]) -> tuple[Event, ...]:
    """In the order of recording; those that do not say their place come last, as they stand."""
    ordered = sorted(events, key=lambda event: (not event.place, event.place))
    last = max((event.place for event in ordered), default=0)
    found = []
    for event in ordered:
        last += not event.place
        found.append(event if event.place else replace(event, place=last))
    return tuple(found)


def _day(text: object, where: str) -> date:
    try:
        return date.fromisoformat(str(text or "")[:10])
    except ValueError:
        message = "The day of the decision is needed."
        raise Invalid(Issue("required", message, where, str(text or ""), "day", "a day")) from None


def _series(plan: Json) -> Series | None:
    told = value_of(plan, "series")
    return Series(str(told.get("name", "")), int(told.get("number", 1)), str(told.get("reason", ""))) if told else None


def _older(key: Key, device: Json, uses: Sequence[Json]) -> Episode:
    """An episode kept as Device and DeviceUseStatement alone: taken over on the day from which it was worn."""
    events: list[Event] = []
    side: Side | None = None
    for use in uses:
        worn = from_device_use(use)
        if not events:
            events.append(Event("taken-over", worn.at, day_only=worn.day_only))
        events.append(worn)
        end = use["timingTiming"]["repeat"]["boundsPeriod"].get("end")
        if end:
            ended = datetime.fromisoformat(str(end))
            events.append(Event("ended", ended.replace(tzinfo=ended.tzinfo or UTC), day_only=True, reason="unknown"))
        code = code_in(use.get("bodySite"), SITE_SYSTEM)
        side = next((each for each in SIDES if code.startswith(f"{each}-")), side)
    if not events:
        raise Invalid(
            Issue("business-rule", "An orthosis without plan or wearing is no episode.", "Device", "|".join(key))
        )
    ident = str(device.get("id", ""))
    return Episode(
        key=key,
        patient=str((device.get("patient") or {}).get("reference", "")),
        decided=events[0].day,
        design=from_device(device, side),
        events=tuple(replace(event, place=n) for n, event in enumerate(events, 1)),
        name=str((device.get("deviceName") or [{}])[0].get("name", "")),
        id=ident,
        device_id=ident,
        request_id=ident,
    )
