"""Precautions and goals as Flag and Goal, and back."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import get_args

from service.domain.anatomy import PERSON, Site, site_of_code
from service.domain.goals import Goal, kind_of_code, metric_of_goal, require_lawful_goal
from service.domain.measurement import Better, Quantity
from service.domain.precautions import Precaution, require_lawful_precaution
from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.canonical import profile
from service.fhir.course import status_concept
from service.fhir.derived import METRIC_SYSTEM
from service.fhir.observation import OBSERVATION_CODE, SITE_SYSTEM, concept, quantity
from service.fhir.reading import code_in
from service.fhir.text import Json

PRECAUTION_PROFILE, GOAL_PROFILE = profile("precaution"), profile("goal")
PLACE, KIND, MOTION, MODE = (profile(f"precaution-{name}") for name in ("place", "kind", "motion", "mode"))
ENDED_BY = profile("precaution-ended-by")
GOAL_SITE, GOAL_BETTER, GOAL_ACTIVITY, GOAL_CONDITION = (
    profile(f"goal-{name}") for name in ("site", "better", "activity", "condition")
)


def to_flag(precaution: Precaution, patient: str) -> Json:
    """The Flag that states a precaution."""
    ended = [{"url": ENDED_BY, "valueString": precaution.ended_by}] if precaution.ended_by else []
    named = ((KIND, precaution.kinds), (MOTION, precaution.motions), (MODE, precaution.modes))
    period = {"start": precaution.since.isoformat()}
    if precaution.until:
        period["end"] = precaution.until.isoformat()
    return {
        "resourceType": "Flag",
        "meta": {"profile": [PRECAUTION_PROFILE]},
        "extension": [
            *({"url": PLACE, "valueCodeableConcept": concept(SITE_SYSTEM, place.term)} for place in precaution.places),
            *({"url": url, "valueCode": code} for url, codes in named for code in codes),
            *ended,
        ],
        "status": "active",
        "category": [status_concept("flag-category", "safety")],
        "code": {"text": precaution.what},
        "subject": {"reference": patient},
        "period": period,
        "author": {"display": precaution.by},
    }


def from_flag(resource: Json) -> Precaution:
    """The precaution a Flag of our profile states. Raises `Invalid` for an unlawful one."""
    extensions = resource.get("extension") or []

    def codes(url: str) -> tuple[str, ...]:
        return tuple(str(e.get("valueCode", "")) for e in extensions if e.get("url") == url)

    places = [code_in(e.get("valueCodeableConcept"), SITE_SYSTEM) for e in extensions if e.get("url") == PLACE]
    period = resource.get("period") or {}
    made = Precaution(
        what=str((resource.get("code") or {}).get("text", "")),
        by=str((resource.get("author") or {}).get("display", "")),
        since=_day(period.get("start"), "Flag.period.start"),
        places=tuple(site_of_code(place) for place in places),
        until=_day(period["end"], "Flag.period.end") if period.get("end") else None,
        kinds=codes(KIND),
        motions=codes(MOTION),
        modes=codes(MODE),
        ended_by=next((str(e.get("valueString", "")) for e in extensions if e.get("url") == ENDED_BY), ""),
        id=str(resource.get("id", "")),
    )
    require_lawful_precaution(made)
    return made


def to_goal(goal: Goal, patient: str) -> Json:
    """The Goal that states what is wanted."""
    extension: list[Json] = [] if goal.site.key == PERSON else [
        {"url": GOAL_SITE, "valueCodeableConcept": concept(SITE_SYSTEM, goal.site.term)}
    ]  # fmt: skip
    extension.append({"url": GOAL_BETTER, "valueCode": goal.better})
    if goal.activity:
        extension.append({"url": GOAL_ACTIVITY, "valueString": goal.activity})
    for name, answer in goal.conditions.items():
        parts = [{"url": "name", "valueString": name}, {"url": "answer", "valueString": answer}]
        extension.append({"url": GOAL_CONDITION, "extension": parts})
    target: Json = {
        "measure": _measure(goal),
        "detailQuantity": quantity(goal.target),
    }
    if goal.due:
        target["dueDate"] = goal.due.isoformat()
    return {
        "resourceType": "Goal",
        "meta": {"profile": [GOAL_PROFILE]},
        "extension": extension,
        "lifecycleStatus": "active",
        "description": {"text": goal.what},
        "subject": {"reference": patient},
        **({"startDate": goal.since.isoformat()} if goal.since else {}),
        "target": [target],
        **({"expressedBy": {"reference": patient}} if goal.whose == "patient" else {}),
    }


def _measure(goal: Goal) -> Json:
    if goal.metric:
        metric = metric_of_goal(goal.metric)
        return concept(METRIC_SYSTEM, Term(metric.name, metric.title))
    kind, _ = kind_of_code(goal.code)
    return concept(OBSERVATION_CODE, kind.concepts[goal.code][0])


def from_goal(resource: Json) -> Goal:
    """The goal a Goal of our profile states. Raises `Invalid` for an unlawful one."""
    extensions = {str(e.get("url")): e for e in resource.get("extension") or []}
    target = (resource.get("target") or [{}])[0]
    due, since = target.get("dueDate"), resource.get("startDate")
    place = extensions.get(GOAL_SITE)
    made = Goal(
        what=str((resource.get("description") or {}).get("text", "")),
        whose="patient" if resource.get("expressedBy") == resource.get("subject") else "clinician",
        code=code_in(target.get("measure"), OBSERVATION_CODE),
        site=site_of_code(code_in(place.get("valueCodeableConcept"), SITE_SYSTEM)) if place else Site("", PERSON),
        target=_target(target),
        due=_day(due, "Goal.target.dueDate") if due else None,
        since=_day(since, "Goal.startDate") if since else None,
        better=_better(extensions),
        activity=str((extensions.get(GOAL_ACTIVITY) or {}).get("valueString", "")),
        id=str(resource.get("id", "")),
        metric=code_in(target.get("measure"), METRIC_SYSTEM),
        conditions=_conditions(resource),
    )
    require_lawful_goal(made)
    return made


def _conditions(resource: Json) -> dict[str, str]:
    stated = [e for e in resource.get("extension") or [] if e.get("url") == GOAL_CONDITION]
    pairs = [{part.get("url"): part for part in each.get("extension") or []} for each in stated]
    return {
        str(p.get("name", {}).get("valueString", "")): str(p.get("answer", {}).get("valueString", "")) for p in pairs
    }


def _better(extensions: dict[str, Json]) -> Better:
    stated = str((extensions.get(GOAL_BETTER) or {}).get("valueCode", ""))
    return next((each for each in get_args(Better) if each == stated), "unstated")


def _target(target: Json) -> Quantity:
    given = target.get("detailQuantity") or {}
    number = given.get("value")
    if not isinstance(number, (Decimal, int)):
        message = "A goal needs a target with a number and its unit."
        raise Invalid(Issue("required", message, "Goal.target.detailQuantity", "", "target", "a quantity"))
    return Quantity(Decimal(number), str(given.get("code", "")))


def _day(text: object, where: str) -> date:
    stated = str(text or "")
    try:
        return date.fromisoformat(stated[:10])
    except ValueError:
        issue = Issue("value", "This needs a whole day.", where, stated, "whole-day", "a day such as 2026-03-02")
        raise Invalid(issue) from None
