"""Digit abduction: how far a finger spreads from the middle finger, as an angle or as a distance of the tips."""

from __future__ import annotations

from service.domain.anatomy import FINGERS
from service.domain.field import MODE, Field, choices
from service.domain.kinds.thumb_web_span import SPAN
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value, unit_fits

TOWARDS = Field(
    "towards",
    "To which side of the middle finger's axis",
    choices(radial="radial", ulnar="ulnar"),
)

KIND = MeasurementKind(
    name="digit-abduction",
    version=1,
    title="Digit abduction",
    description="How far a finger spreads from the axis of the middle finger: an angle, or a distance between tips.",
    sites=FINGERS,
    stem="digit-abduction",
    axes=(SPAN, MODE),
    fields=(TOWARDS,),
    units=("deg", "mm", "cm"),
    series_key=("site", "span", "mode", "towards", "treatment", "repeat"),
    watched=("performer", "instrument", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Digit abduction", SPAN, MODE),
    needs_motion=True,
    checks=(unit_fits("span", {"angle": ("deg",), "distance": ("mm", "cm")}),),
    better=lambda _axes: "more",
)
