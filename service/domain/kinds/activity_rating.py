"""Rating of an activity of the patient's own choice, from 0 (cannot do it) to 10 (does it as before)."""

from __future__ import annotations

from service.domain.anatomy import PERSON
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.values import in_words, read_value, scale, whole_number

KIND = MeasurementKind(
    name="activity-rating",
    version=1,
    title="Rating of an own activity",
    description="How well the patient does an activity of their own choice: 0, cannot do it, to 10, does it as before.",
    sites=(PERSON,),
    sides=("",),
    stem="activity-rating",
    axes=(),
    fields=(Field("activity", "The activity, in the words used", required=True),),
    units=("{score}",),
    series_key=("site", "activity", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    display=in_words("Rating of an own activity"),
    bounds=scale(10, "the scale ends at 10"),
    checks=(whole_number,),
    better=lambda _axes: "more",
)
