"""The extensions of the resources an orthosis episode consists of."""

from __future__ import annotations

from service.fhir.extension import Extension, Part
from service.fhir.orthosis.names import extension

_EVENT, _WEARING, _BOTH = "Procedure", "DeviceUseStatement", "Procedure DeviceUseStatement"
_SHARE = Part("share", "Share of wearing time, in percent", "Quantity")

GOAL = Extension(extension("goal"), "Goal of an orthosis", "What it is to bring about.", "ServiceRequest", "string")
SERIES = Extension(
    extension("series"),
    "Series of orthoses",
    "That the orthosis is one of a series, such as serial casts.",
    "ServiceRequest",
    parts=(
        Part("name", "Name of the series", "string"),
        Part("number", "Its number in the series", "positiveInt", least=1),
        Part("reason", "Why the series goes on", "string"),
    ),
)
EVENT_PLACE = Extension(
    extension("event-place"), "Place of an event", "Its number in the order of recording, from 1.", _BOTH, "positiveInt"
)
RETRACTED = Extension(
    extension("retracted"), "Taken back", "Why the event was taken back; it counts for nothing.", _BOTH, "string"
)
SET_ANGLE = Extension(
    extension("set-angle"),
    "Set angle",
    "A joint held from this event on, with its direction from neutral and its angle where recorded.",
    _EVENT,
    most="*",
    parts=(
        Part("joint", "The joint, with its side", "CodeableConcept", "body-site", 1),
        Part("direction", "Direction from neutral", "code", "joint-direction"),
        Part("angle", "Angle in degrees", "Quantity"),
    ),
)
REPLACED_BY = Extension(
    extension("replaced-by"), "Replaced by", "Key of the episode whose orthosis took its place.", _EVENT, "string"
)
ANSWERS = Extension(
    extension("answers"), "Check answered", "The place of the check whose red flag was answered.", _EVENT, "positiveInt"
)
COMPONENT = Extension(
    extension("component-of-event"),
    "Component of an event",
    "The part that was added or taken off.",
    _EVENT,
    parts=(Part("name", "Its name", "string", least=1), _SHARE),
)
FINDING = Extension(
    extension("finding"),
    "Finding of a check",
    "What a check of skin and circulation found, in words.",
    _EVENT,
    most="*",
    parts=(Part("item", "What was looked at", "code", "orthosis-check", 1), Part("found", "What was found", "string")),
)
RED_FLAG = Extension(extension("red-flag"), "Red flag", "The check raised a red flag.", _EVENT, "boolean")
EXERCISE = Extension(
    extension("exercise"),
    "Exercise in the orthosis",
    "Which joint leads, and how often it is done.",
    _EVENT,
    parts=(
        Part("leads", "The joint that leads", "string"),
        Part("repetitions", "Repetitions", "positiveInt"),
        Part("times-a-day", "Times a day", "positiveInt"),
    ),
)
EXERCISE_SHARE = Extension(
    extension("exercise-share"),
    "Share of a component",
    "The share of the day for which a component is on.",
    _EVENT,
    most="*",
    parts=(Part("component", "Its name", "string", least=1), _SHARE),
)
WHERE = Extension(extension("where"), "Where it was done", "Where the regimen was given.", _WEARING, "string")
EXPERTISE = Extension(extension("expertise"), "Expertise", "As what the person acted.", _WEARING, "string")
UNCERTAINTY = Extension(
    extension("wear-uncertainty"),
    "Uncertainty of hours worn",
    "How uncertain the hours worn are, in hours either way.",
    "Observation",
    "Quantity",
)
OF_ORTHOSES = tuple(each for each in list(globals().values()) if isinstance(each, Extension))
