"""A course as EpisodeOfCare, and the state of a part as Condition, and both back."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from service.domain.anatomy import LEVELS, SIDES, STATES, PartState, Side, site_of_code
from service.domain.course import Course, require_lawful_course
from service.domain.measurement import Quantity
from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.canonical import code_system, profile
from service.fhir.observation import SITE_SYSTEM, concept, quantity
from service.fhir.reading import code_in
from service.fhir.text import Json

SIDE_SYSTEM = code_system("side")
STATE_SYSTEM = code_system("part-state")
LEVEL_SYSTEM = code_system("level-of-loss")
COURSE_PROFILE = profile("course-of-therapy")
STATE_PROFILE = profile("part-state")
AFFECTED, REFERENCE, DOMINANT = (profile(f"{name}-side") for name in ("affected", "reference", "dominant"))
LEVEL, ANGLE = profile("level-of-loss"), profile("fused-angle")


def claims(resource: Json, claimed: str) -> bool:
    """Whether a resource claims this profile."""
    return claimed in ((resource.get("meta") or {}).get("profile") or [])


def to_episode_of_care(course: Course) -> Json:
    """The EpisodeOfCare that states this course."""
    sides: list[tuple[str, Side]] = [(AFFECTED, side) for side in course.affected]
    sides += [(REFERENCE, course.reference)] if course.reference else []
    sides += [(DOMINANT, course.dominant)] if course.dominant else []
    found: Json = {
        "resourceType": "EpisodeOfCare",
        "meta": {"profile": [COURSE_PROFILE]},
        "extension": [{"url": url, "valueCode": side} for url, side in sides],
        "status": "finished" if course.until else "active",
        "patient": {"reference": course.patient},
        "period": {"start": course.since.isoformat(), **({"end": course.until.isoformat()} if course.until else {})},
    }
    if course.reason:
        found["type"] = [{"text": course.reason}]
    return found


def from_episode_of_care(resource: Json) -> Course:
    """The course an EpisodeOfCare of our profile states. Raises `Invalid` for an unlawful one."""

    def of(url: str) -> tuple[Side, ...]:
        given = [str(e.get("valueCode")) for e in resource.get("extension") or [] if e.get("url") == url]
        return tuple(side for side in SIDES if side in given)

    period = resource.get("period") or {}
    ends = resource.get("status") == "finished" or "end" in period
    made = Course(
        patient=str(resource["patient"]["reference"]),
        since=_day(period.get("start"), "period.start", "A course needs the day it began."),
        affected=of(AFFECTED),
        reference=next(iter(of(REFERENCE)), None),
        dominant=next(iter(of(DOMINANT)), None),
        reason=str((resource.get("type") or [{}])[0].get("text", "")),
        id=str(resource.get("id", "")),
        until=_day(period.get("end"), "period.end", "A course that ended needs its last day.") if ends else None,
    )
    if made.until and resource.get("status") == "active":
        message = "A course that has its last day is finished."
        raise Invalid(Issue("value", message, "status", "active", "end-of-course", "finished, or no end"))
    require_lawful_course(made)
    return made


def to_condition(state: PartState, patient: str) -> Json:
    """The Condition that states what a part is like from a day on."""
    extension: list[Json] = []
    if state.level:
        extension.append({"url": LEVEL, "valueCode": state.level})
    if state.angle is not None:
        extension.append({"url": ANGLE, "valueQuantity": quantity(Quantity(state.angle, "deg"))})
    return {
        "resourceType": "Condition",
        "meta": {"profile": [STATE_PROFILE]},
        **({"extension": extension} if extension else {}),
        "clinicalStatus": status_concept("condition-clinical", "active"),
        "verificationStatus": status_concept("condition-ver-status", "confirmed"),
        "category": [status_concept("condition-category", "problem-list-item")],
        "code": concept(STATE_SYSTEM, Term(state.state, STATES[state.state])),
        "bodySite": [concept(SITE_SYSTEM, state.site.term)],
        "subject": {"reference": patient},
        "onsetDateTime": state.since.isoformat(),
    }


def status_concept(system: str, code: str) -> Json:
    return {"coding": [{"system": f"http://terminology.hl7.org/CodeSystem/{system}", "code": code}]}


def from_condition(resource: Json) -> PartState:
    """The state of a part that a Condition of our profile states. Raises `Invalid` for an unlawful one."""
    state = code_in(resource.get("code"), STATE_SYSTEM)
    extensions = {e.get("url"): e for e in resource.get("extension") or []}
    level = str((extensions.get(LEVEL) or {}).get("valueCode", ""))
    angle = ((extensions.get(ANGLE) or {}).get("valueQuantity") or {}).get("value")
    made = PartState(
        site=site_of_code(code_in((resource.get("bodySite") or [{}])[0], SITE_SYSTEM)),
        state=state,  # type: ignore[arg-type] # refused below when it is none of them
        since=_day(
            resource.get("onsetDateTime"), "onsetDateTime", "The state of a part needs the day since when it holds."
        ),
        level=level,
        angle=Decimal(angle) if angle is not None else None,
    )
    require_lawful_state(made)
    return made


def _day(given: object, where: str, message: str) -> date:
    text = str(given or "")[:10]
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Invalid(Issue("required", message, where, text, "since", "a day")) from None


def require_lawful_state(state: PartState) -> None:
    """Raises `Invalid` for a state without what it needs: a loss its level, a fusion its joint."""
    if state.state not in STATES:
        expected = "one of " + ", ".join(STATES)
        raise Invalid(Issue("value", f"'{state.state}' is not a state.", "state", state.state, "known-state", expected))
    if state.state == "absent" and (state.site.part.kind != "digit" or state.level not in LEVELS):
        expected = "the site of a digit, and as level one of " + ", ".join(LEVELS)
        message = "An absent part is a digit with the level at which it ends."
        raise Invalid(Issue("value", message, "level", state.level, "level-of-loss", expected))
    if state.state == "fused" and state.site.part.kind != "joint":
        message = "Only a joint can be fused."
        raise Invalid(Issue("value", message, "site", state.site.code, "fused-joint", "the site of a joint"))
