"""Orthosis episodes as plain JSON: one in full, a patient's at a glance, and what happened in order."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from service.domain.actor import Actor
from service.domain.orthosis.completeness import completeness
from service.domain.orthosis.dose import dose_of
from service.domain.orthosis.episode import ACTS, Event
from service.domain.orthosis.life import Span
from service.domain.orthosis.naming import descriptive_name, position_in_words, posture
from service.domain.orthosis.overview import changes, days_worn, due
from service.domain.orthosis.safety import GRADES, may_come_off, texts_for
from service.domain.result_json import plain
from service.storage.records import Reader
from service.usecases.orthoses import orthoses_of, wear_of
from service.usecases.orthosis_clinic import Clinic, precautions_of
from service.usecases.orthosis_guard import Told

LAST_WORD = "Numbers and texts inform; the treating clinician, local protocol and licensed practice decide."


@dataclass(frozen=True, slots=True)
class Moment:
    """The moment a view is about: now, and the calendar day it is for the clinic."""

    now: datetime
    today: date

    @classmethod
    def present(cls, zone: Any = None) -> Moment:
        """The present, with the day of the clinic's zone."""
        now = datetime.now(UTC)
        return cls(now, now.astimezone(zone or UTC).date())


def _person(event: Event) -> dict[str, Any]:
    return {key: value for key, value in {"reference": event.by, "name": event.by_name}.items() if value}


def timeline(told: Told) -> list[dict[str, Any]]:
    """Every event in the order of recording, those taken back too, with the reason."""
    return [_event(event) for event in told.episode.events]


def _event(event: Event) -> dict[str, Any]:
    at = event.day.isoformat() if event.day_only else event.at.isoformat()
    found = {"number": event.place, "kind": event.kind, "title": ACTS[event.kind].title, "at": at, "by": _person(event)}
    details = (
        "expertise", "where", "note", "regimen", "reason", "replaced_by", "holds", "component", "check", "exercise",
        "answers", "retracted",
    )  # fmt: skip
    stated = {name: plain(getattr(event, name)) for name in details if getattr(event, name)}
    kind = "DeviceUseStatement" if event.regimen else "Procedure"
    return {**found, **stated, "resource": f"{kind}/{event.id}"}


def _span(span: Span, moment: Moment) -> dict[str, Any]:
    until = span.until.day if span.until else None
    return {
        "regimen": {**plain(span.regimen), "words": span.regimen.words},
        "since": span.since.day.isoformat(),
        "until": until.isoformat() if until else None,
        "days": max(((until or moment.today) - span.since.day).days, 0),
    }


def brief(told: Told, clinic: Clinic, moment: Moment) -> dict[str, Any]:
    """One episode at a glance."""
    episode, life = told.episode, told.life
    name = descriptive_name(life.design)
    return {
        "id": episode.id,
        "key": {"system": episode.key[0], "value": episode.key[1]},
        "patient": episode.patient,
        "name": episode.name or name,
        "names": list(episode.names),
        "descriptive_name": name,
        "posture": posture(life.design),
        "position": position_in_words(life.design),
        "side": episode.design.side,
        "state": life.state,
        "decided": episode.decided.isoformat(),
        "planned": episode.planned.isoformat() if episode.planned else None,
        "series": plain(episode.series),
        "worn": _span(life.worn, moment) if life.worn else None,
        "days_worn": days_worn(life, moment.today),
        "ended": _event(life.ended) if life.ended else None,
        "due_for_review": plain(due(episode, life, clinic.limits, moment.today)),
        "red_flags": [_event(event) for event in life.unanswered],
        "last_event": max((event.place for event in episode.events), default=0),
    }


def full(reader: Reader, told: Told, clinic: Clinic, moment: Moment) -> dict[str, Any]:
    """One episode with everything that is known and can be told of it."""
    episode, life = told.episode, told.life
    wear = wear_of(reader, episode)
    precautions = precautions_of(reader, episode.patient.removeprefix("Patient/"), moment.today)
    texts = texts_for(life.design, precautions, clinic.texts)
    return {
        **brief(told, clinic, moment),
        "by": {key: value for key, value in {"reference": episode.by, "name": episode.by_name}.items() if value},
        "reason": episode.reason,
        "goal": episode.goal,
        "design": plain(episode.design),
        "design_now": plain(life.design),
        "regimens": [_span(span, moment) for span in life.spans],
        "events": timeline(told),
        "hours": plain(wear),
        "dose": plain(dose_of(episode, life, wear, moment.now)),
        "precautions": plain(precautions),
        "safety": {
            "comes_off": may_come_off(life.design, precautions),
            "texts": [{"grade": grade, "about": GRADES[grade], "text": text} for grade, text in texts.items()],
        },
        "reporting": {
            "checklist": "TIDieR (BMJ 2014;348:g1687)",
            "items": plain(completeness(episode, life, hours_known=bool(wear))),
        },
        "note": LAST_WORD,
    }


def of_patient(reader: Reader, actor: Actor, patient: str, clinic: Clinic, moment: Moment) -> dict[str, Any]:
    """A patient's orthoses: unanswered red flags first, then what is worn now, what is due, and all episodes."""
    told = orthoses_of(reader, actor, patient)
    views = [brief(each, clinic, moment) for each in told]
    return {
        "patient": f"Patient/{patient}",
        "red_flags": [{**flag, "episode": view["id"]} for view in views for flag in view["red_flags"]],
        "worn_now": [view for view in views if view["worn"]],
        "due_for_review": [{**due, "episode": view["id"]} for view in views for due in view["due_for_review"]],
        "limits": dict(clinic.limits),
        "change_intervals": plain(changes([(each.episode, each.life) for each in told], moment.today)),
        "episodes": views,
        "note": LAST_WORD,
    }
