"""Span of the thumb web: the angle or the distance between thumb and index finger, spread as far as they go."""

from __future__ import annotations

from service.domain.field import MODE, Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value, unit_fits

SPAN = Field(
    "span",
    "Whether an angle or a distance was measured",
    choices(angle="angle", distance="distance"),
    required=True,
)
WEB_LANDMARK = Field("span_landmark", "Between which points, as the clinic names them")

KIND = MeasurementKind(
    name="thumb-web-span",
    version=1,
    title="Thumb web span",
    description="How far thumb and index finger spread: an angle, or the distance between two named points.",
    sites=("thumb",),
    stem="thumb-web-span",
    axes=(SPAN, MODE),
    fields=(WEB_LANDMARK,),
    units=("mm", "cm", "deg"),
    series_key=("site", "span", "mode", "span_landmark", "treatment", "repeat"),
    watched=("performer", "instrument", "pain_limited", "time_of_day"),
    read=read_value,
    display=in_words("Thumb web span", SPAN, MODE),
    checks=(unit_fits("span", {"angle": ("deg",), "distance": ("mm", "cm")}),),
    better=lambda _axes: "more",
)
