"""The profiles of what belongs to a course of therapy, of pictures, and of instruments."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir import course, events, instrument, media, plans
from service.fhir import course_extensions as own
from service.fhir.narrowing import bound, narrowed, person, rule
from service.fhir.observation import SITE_SYSTEM
from service.fhir.snapshot import Change, structure_definition
from service.fhir.text import Json

_DAY = {"min": 1, "type": [{"code": "dateTime"}]}


def course_profiles() -> list[Json]:
    """The StructureDefinition of each."""
    return [
        _made(course.COURSE_PROFILE, "Course of therapy", "One patient's course of hand therapy.", _course()),
        _made(course.STATE_PROFILE, "State of a part", "What a part of the hand is like from a day on.", _state()),
        _made(events.INJURY_PROFILE, "Injury", "What happened to one side, or the illness that is treated.", _injury()),
        _made(events.OPERATION_PROFILE, "Operation", "An operation on one side, with its day.", _operation()),
        _made(events.REFERRAL_PROFILE, "Referral", "A request for therapy, and what it tells.", _referral()),
        _made(plans.PRECAUTION_PROFILE, "Precaution", "What is not allowed, until when, by whose word.", _precaution()),
        _made(plans.GOAL_PROFILE, "Goal", "A measure at a site, and the target that is wanted.", _goal()),
        _made(media.PICTURE_PROFILE, "Picture of a hand", "Where a picture is kept, and its consent.", _picture()),
        _made(instrument.INSTRUMENT_PROFILE, "Instrument", "What readings are taken with.", _instrument()),
        _made(instrument.CALIBRATION_PROFILE, "Calibration", "Calibrations of an instrument.", _calibration()),
    ]


_TYPES = {
    course.COURSE_PROFILE: "EpisodeOfCare",
    course.STATE_PROFILE: "Condition",
    events.INJURY_PROFILE: "Condition",
    events.OPERATION_PROFILE: "Procedure",
    events.REFERRAL_PROFILE: "ServiceRequest",
    plans.PRECAUTION_PROFILE: "Flag",
    plans.GOAL_PROFILE: "Goal",
    media.PICTURE_PROFILE: "Media",
    instrument.INSTRUMENT_PROFILE: "Device",
    instrument.CALIBRATION_PROFILE: "DeviceMetric",
}


def _made(url: str, title: str, text: str, changes: Iterator[Change]) -> Json:
    head = (_TYPES[url], {"short": title, "definition": text})
    return structure_definition(url, title, text, _TYPES[url], [head, *changes])


def _rules(url: str, **expressions: tuple[str, str]) -> Change:
    name = url.rpartition("/")[2]
    found = [rule(url, f"{name}-{key.replace('_', '-')}", *each) for key, each in expressions.items()]
    return _TYPES[url], {"constraint": found}


def _course() -> Iterator[Change]:
    yield _rules(
        course.COURSE_PROFILE,
        start=("A course has the day on which it began", "period.start.exists()"),
        end=("A finished course has its last day", "status = 'finished' implies period.end.exists()"),
        open=("An active course has no last day", "status = 'active' implies period.end.empty()"),
    )
    yield from narrowed("EpisodeOfCare", own.AFFECTED, own.REFERENCE, own.DOMINANT)
    yield person("EpisodeOfCare.patient", "Whose course it is")
    yield "EpisodeOfCare.period", {"min": 1}


def _state() -> Iterator[Change]:
    lost = f"code.coding.where(system = '{course.STATE_SYSTEM}' and code = 'absent').exists()"
    level = f"extension.where(url = '{course.LEVEL}').exists()"
    text = "An absent part says at which level it ends"
    yield _rules(course.STATE_PROFILE, level=(text, f"{lost} implies {level}"))
    yield from narrowed("Condition", own.LEVEL, own.ANGLE)
    yield "Condition.code", {**bound("part-state", "What the part is like"), "min": 1}
    yield "Condition.bodySite", {**bound("body-site", "Which part, with its side"), "min": 1, "max": "1"}
    yield person("Condition.subject", "Whose part it is")
    yield "Condition.onset[x]", {"short": "The day since when it holds", **_DAY}


def _one_side() -> tuple[str, str]:
    ours = f"bodySite.coding.where(system = '{SITE_SYSTEM}').code"
    sides = (f"{ours}.all($this.startsWith('{side}-'))" for side in ("left", "right"))
    return "Every site is on the same side", " or ".join(sides)


_NAMED = ("It is said in words what it is", "code.text.exists()")


def _injury() -> Iterator[Change]:
    yield _rules(events.INJURY_PROFILE, named=_NAMED, side=_one_side())
    yield from narrowed("Condition", own.MECHANISM, own.ZONE)
    yield "Condition.code", {"min": 1}
    yield "Condition.bodySite", {**bound("body-site", "The hand, or each digit"), "min": 1}
    yield person("Condition.subject", "Whose hand it is")
    yield "Condition.onset[x]", {"short": "The day, where it is known", "type": [{"code": "dateTime"}]}


def _operation() -> Iterator[Change]:
    yield _rules(events.OPERATION_PROFILE, named=_NAMED, side=_one_side())
    yield from narrowed("Procedure", own.STRUCTURE, own.NERVE_LEVEL)
    yield "Procedure.code", {"min": 1}
    yield person("Procedure.subject", "Whose hand it is")
    yield "Procedure.performed[x]", {"short": "The day of the operation", **_DAY}
    yield "Procedure.bodySite", {**bound("body-site", "The hand, or each digit"), "min": 1}


def _referral() -> Iterator[Change]:
    yield from narrowed("ServiceRequest", own.TOLD, own.NOT_APPLICABLE)
    yield person("ServiceRequest.subject", "Who is referred")
    yield "ServiceRequest.authoredOn", {"short": "The day of the referral", "min": 1}


def _precaution() -> Iterator[Change]:
    yield _rules(
        plans.PRECAUTION_PROFILE,
        named=("It is said in words what is not allowed", "code.text.exists()"),
        start=("A precaution has the day from which it holds", "period.start.exists()"),
        by=("It is said who said so", "author.display.exists()"),
    )
    yield from narrowed("Flag", own.KIND, own.MOTION, own.MODE, own.ENDED_BY, required=(own.PLACE,))
    yield person("Flag.subject", "Whose hand it is")
    yield "Flag.period", {"min": 1}
    yield "Flag.author", {"short": "Who said so", "min": 1}


def _goal() -> Iterator[Change]:
    yield _rules(plans.GOAL_PROFILE, named=("The goal is said in words", "description.text.exists()"))
    yield from narrowed("Goal", own.GOAL_SITE, own.GOAL_ACTIVITY, own.GOAL_CONDITION, required=(own.GOAL_BETTER,))
    yield person("Goal.subject", "Whose goal it is")
    yield "Goal.target", {"min": 1, "max": "1"}
    yield "Goal.target.measure", {**bound("goal-measure", "What is measured"), "min": 1}
    yield "Goal.target.detail[x]", {"short": "The target", "min": 1, "type": [{"code": "Quantity"}]}


def _picture() -> Iterator[Change]:
    at_an_address = ("The picture stays at an address", "content.url.exists() and content.data.empty()")
    yield _rules(media.PICTURE_PROFILE, address=at_an_address)
    yield from narrowed("Media", own.PURPOSE)
    yield "Media.view", {**bound("picture-view", "From where it was taken"), "min": 1}
    yield person("Media.subject", "Whose hand it shows")
    yield "Media.created[x]", {"short": "When it was taken", **_DAY}
    yield "Media.bodySite", {**bound("body-site", "What it shows, with its side"), "min": 1}


def _instrument() -> Iterator[Change]:
    yield "Device.identifier", {"short": "By what the clinic knows it", "min": 1}
    yield "Device.deviceName", {"min": 1}
    yield "Device.type", {**bound("instrument-type", "What kind of instrument it is"), "min": 1}
    yield "Device.patient", {"short": "None: it belongs to nobody", "max": "0"}


def _calibration() -> Iterator[Change]:
    yield "DeviceMetric.source", {"short": "The instrument", "min": 1}
    yield from narrowed("DeviceMetric.calibration", own.POINT, required=(own.BY,))
    yield "DeviceMetric.calibration.time", {"short": "When it was calibrated", "min": 1}
