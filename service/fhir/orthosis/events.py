"""Events as Procedures on the orthosis, a regimen as a DeviceUseStatement, and both back."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from service.domain.anatomy import Site
from service.domain.orthosis.design import Component, Held
from service.domain.orthosis.episode import ACTS, END_REASONS, Check, Episode, Event, Exercise
from service.domain.orthosis.life import Life, Span
from service.domain.orthosis.regimens import WEARING, Regimen
from service.domain.terms import Term
from service.fhir.observation import SITE_SYSTEM, concept
from service.fhir.orthosis.device import site_of, sites_of
from service.fhir.orthosis.names import (
    END_SYSTEM,
    EVENT_PROFILE,
    EVENT_SYSTEM,
    WEARING_PROFILE,
    WEARING_SYSTEM,
    coded,
    moment_of,
    nested,
    number,
    person,
    simple,
    value_of,
    values_of,
)
from service.fhir.orthosis.statuses import statuses_of
from service.fhir.reading import code_in
from service.fhir.text import Json

_WITHOUT_DEVICE = frozenset({"ordered", "reviewed", "entered-in-error"})


def when(event: Event) -> str:
    """The time as FHIR text: with its offset, or the day alone where only that is known."""
    return event.day.isoformat() if event.day_only else event.at.isoformat()


def to_procedure(episode: Episode, life: Life, event: Event) -> Json:
    """The Procedure that states an event other than the beginning of a regimen."""
    by = person(event.by, event.by_name)
    performer = {"actor": by, **({"function": {"text": event.expertise}} if event.expertise else {})}
    found: Json = {
        "resourceType": "Procedure",
        "id": event.id,
        "meta": {"profile": [EVENT_PROFILE]},
        "extension": [*_shared(event), *_details(episode, event)],
        "identifier": [{"system": episode.key[0], "value": episode.key[1]}],
        "basedOn": [{"reference": f"ServiceRequest/{episode.id}"}],
        "status": "entered-in-error" if event.retracted else statuses_of(life).procedure,
        "code": concept(EVENT_SYSTEM, Term(event.kind, ACTS[event.kind].title)),
        "subject": {"reference": episode.patient},
        "performedDateTime": when(event),
        "bodySite": sites_of(episode.design),
    }
    if by:
        found["performer"] = [performer]
    if event.where:
        found["location"] = {"display": event.where}
    if event.reason:
        found["outcome"] = coded(END_SYSTEM, event.reason, END_REASONS)
    if event.note:
        found["note"] = [{"text": event.note}]
    if event.kind not in _WITHOUT_DEVICE:
        found["focalDevice"] = [{"manipulated": {"reference": f"Device/{episode.device_id}"}}]
    return found


def _shared(event: Event) -> list[Json]:
    return [*simple("event-place", "PositiveInt", event.place), *simple("retracted", "String", event.retracted)]


def _details(episode: Episode, event: Event) -> list[Json]:
    side = episode.design.side
    found = [
        nested(
            "set-angle",
            [
                ("joint", "CodeableConcept", concept(SITE_SYSTEM, Site(side, held.joint).term)),
                ("direction", "Code", held.motion),
                ("angle", "Quantity", None if held.angle is None else number(held.angle, "degree", "deg")),
            ],
        )
        for held in event.holds
    ]
    found += simple("replaced-by", "String", event.replaced_by)
    found += simple("answers", "PositiveInt", event.answers)
    if event.component:
        share = event.component.share
        percent = None if share is None else number(share, "percent", "%")
        found.append(
            nested("component-of-event", [("name", "String", event.component.name), ("share", "Quantity", percent)])
        )
    if event.check:
        parts = [("item", "Code"), ("found", "String")]
        for finding in event.check.findings.items():
            found.append(nested("finding", [(*part, value) for part, value in zip(parts, finding, strict=True)]))
        found += [{**each} for each in simple("red-flag", "Boolean", event.check.red_flag or None)]
    if event.exercise:
        found.append(_exercise(event.exercise))
        found += [
            nested(
                "exercise-share", [("component", "String", name), ("share", "Quantity", number(share, "percent", "%"))]
            )
            for name, share in event.exercise.shares.items()
        ]
    return found


def _exercise(given: Exercise) -> Json:
    counts = [("repetitions", "PositiveInt", given.repetitions), ("times-a-day", "PositiveInt", given.times_a_day)]
    return nested("exercise", [("leads", "String", given.leads), *counts])


def from_procedure(resource: Json) -> Event:
    """The event a Procedure states. Raises `Invalid`."""
    at, day_only = moment_of(resource.get("performedDateTime"), "Procedure.performedDateTime")
    performer = (resource.get("performer") or [{}])[0]
    actor = performer.get("actor") or {}
    kind = code_in(resource.get("code"), EVENT_SYSTEM)
    return Event(
        kind=kind,
        at=at,
        day_only=day_only,
        place=int(value_of(resource, "event-place", 0)),
        by=str(actor.get("reference", "")),
        by_name=str(actor.get("display", "")),
        expertise=str((performer.get("function") or {}).get("text", "")),
        where=str((resource.get("location") or {}).get("display", "")),
        note=str((resource.get("note") or [{}])[0].get("text", "")),
        reason=code_in(resource.get("outcome"), END_SYSTEM),
        replaced_by=str(value_of(resource, "replaced-by", "")),
        holds=tuple(_held(given) for given in values_of(resource, "set-angle")),
        component=next((_component(given) for given in values_of(resource, "component-of-event")), None),
        check=_check(resource) if kind == "checked" else None,
        exercise=_exercised(resource) if kind == "exercise" else None,
        answers=int(value_of(resource, "answers", 0)),
        retracted=str(value_of(resource, "retracted", "")),
        id=str(resource.get("id", "")),
    )


def _amount(given: Any) -> Decimal | None:
    return Decimal(given["value"]) if given else None


def _held(given: dict[str, Any]) -> Held:
    _, _, joint = code_in(given.get("joint"), SITE_SYSTEM).partition("-")
    return Held(joint, str(given.get("direction", "flexion")), _amount(given.get("angle")))


def _component(given: dict[str, Any]) -> Component:
    return Component(str(given.get("name", "")), _amount(given.get("share")))


def _check(resource: Json) -> Check:
    findings = {str(each.get("item", "")): str(each.get("found", "")) for each in values_of(resource, "finding")}
    return Check(findings, bool(value_of(resource, "red-flag", False)))


def _exercised(resource: Json) -> Exercise:
    told = value_of(resource, "exercise") or {}
    shares = {
        str(each.get("component", "")): _amount(each.get("share")) or Decimal(0)
        for each in values_of(resource, "exercise-share")
    }
    counts = [None if told.get(name) is None else int(told[name]) for name in ("repetitions", "times-a-day")]
    return Exercise(str(told.get("leads", "")), counts[0], counts[1], shares)


def to_device_use(episode: Episode, life: Life, event: Event, span: Span | None) -> Json:
    """The DeviceUseStatement of a regimen; `span` is None where it was taken back."""
    regimen = event.regimen or Regimen()
    period = {"start": when(event)}
    if span and span.until:
        period["end"] = when(span.until)
    repeat: Json = {"boundsPeriod": period}
    if regimen.hours is not None:
        repeat |= {"duration": regimen.hours, "durationUnit": "h", "frequency": 1, "period": 1, "periodUnit": "d"}
    more = [*simple("where", "String", event.where), *simple("expertise", "String", event.expertise)]
    found: Json = {
        "resourceType": "DeviceUseStatement",
        "id": event.id,
        "meta": {"profile": [WEARING_PROFILE]},
        "extension": [*_shared(event), *more],
        "identifier": [{"system": episode.key[0], "value": episode.key[1]}],
        "basedOn": [{"reference": f"ServiceRequest/{episode.id}"}],
        "status": _status(life, span),
        "subject": {"reference": episode.patient},
        "timingTiming": {"repeat": repeat, "code": coded(WEARING_SYSTEM, regimen.wearing, WEARING)},
        "device": {"reference": f"Device/{episode.device_id}"},
        "bodySite": site_of(episode.design),
    }
    by = person(event.by, event.by_name)
    if by:
        found["source"] = by
    if regimen.activity:
        found["reasonCode"] = [{"text": regimen.activity}]
    if event.note:
        found["note"] = [{"text": event.note}]
    return found


def _status(life: Life, span: Span | None) -> str:
    if span is None:
        return "entered-in-error"
    table = statuses_of(life)
    if span is life.spans[-1] or table.last == "entered-in-error":
        return table.last
    return "completed"


def from_device_use(resource: Json) -> Event:
    """The beginning of a regimen that a DeviceUseStatement states. Raises `Invalid`."""
    timing = resource.get("timingTiming") or {}
    repeat = timing.get("repeat") or {}
    path = "DeviceUseStatement.timingTiming.repeat.boundsPeriod.start"
    at, day_only = moment_of((repeat.get("boundsPeriod") or {}).get("start"), path)
    hours = repeat.get("duration")
    source = resource.get("source") or {}
    return Event(
        kind="worn",
        at=at,
        day_only=day_only,
        place=int(value_of(resource, "event-place", 0)),
        by=str(source.get("reference", "")),
        by_name=str(source.get("display", "")),
        expertise=str(value_of(resource, "expertise", "")),
        where=str(value_of(resource, "where", "")),
        note=str((resource.get("note") or [{}])[0].get("text", "")),
        regimen=Regimen(
            code_in(timing.get("code"), WEARING_SYSTEM),
            Decimal(hours) if hours is not None else None,
            str((resource.get("reasonCode") or [{}])[0].get("text", "")),
        ),
        retracted=str(value_of(resource, "retracted", "")),
        id=str(resource.get("id", "")),
    )
