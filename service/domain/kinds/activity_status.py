"""Activity status: how far a person does what the day asks of the hand: self-care, household, sport, play."""

from __future__ import annotations

from service.domain.anatomy import PERSON
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="activity-status",
    version=1,
    title="Activity status",
    description="How far a person does what the day asks of the hand: self-care, household, sport, play.",
    sites=(PERSON,),
    sides=("",),
    stem="activity-status",
    axes=(),
    fields=(Field("activity", "The activity, in the words used"),),
    units=(),
    values=terms(
        Term("all-as-before", "all as before"),
        Term("all-with-difficulty", "all, some with difficulty"),
        Term("some-not", "some not done because of the hand"),
        Term("needs-help", "needs help of another person"),
    ),
    series_key=("site", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    display=in_words("Activity status"),
)
