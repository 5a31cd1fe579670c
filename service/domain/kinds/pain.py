"""Pain from 0 to 10: at rest, in activity, at night, or during this reading, with the exact wording asked."""

from __future__ import annotations

from collections.abc import Mapping

from service.domain.anatomy import PARTS
from service.domain.field import Field, choices
from service.domain.measurement import MeasurementKind
from service.domain.terms import LOINC, SNOMED, Coding
from service.domain.values import in_words, read_value, scale

WHEN = Field(
    "pain_when",
    "Of which pain was asked",
    choices(
        rest="at rest", activity="in activity", night="at night", reading="during the reading that it goes with",
    ),
    required=True,
)  # fmt: skip
SCALE = Field(
    "scale",
    "The form of the scale",
    choices(
        numeric="number from 0 to 10, said or written",
        line="mark on a line, read from 0 to 10",
        faces="drawn faces, read from 0 to 10",
        other="another form, read from 0 to 10",
    ),
)
WORDING = Field("wording", "The exact words of the question")
ACTIVITY = Field("activity", "The activity, in the words used")


def _broader(axes: Mapping[str, str]) -> tuple[Coding, ...]:
    found = [Coding(SNOMED, "225908003", "Pain score")]
    if axes["pain_when"] == "activity":
        found.append(Coding(LOINC, "100195-7", "Pain severity--during activity"))
    return tuple(found)


KIND = MeasurementKind(
    name="pain",
    version=1,
    title="Pain",
    description="How strong a pain is, from 0 (none) to 10, as the patient says, with the words of the question.",
    sites=tuple(key for key, part in PARTS.items() if part.kind in ("region", "digit", "joint")),
    sides=("left", "right", "both"),
    stem="pain",
    axes=(WHEN,),
    fields=(SCALE, WORDING, ACTIVITY),
    units=("{score}",),
    series_key=("site", "pain_when", "scale", "wording", "activity", "treatment", "repeat"),
    watched=("performer", "time_of_day"),
    read=read_value,
    on_stump=True,
    display=in_words("Pain", WHEN),
    bounds=scale(10, "the scale ends at 10"),
    broader=_broader,
    better=lambda _axes: "less",
)
