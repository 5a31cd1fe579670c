"""Work status: whether and how a person works at present."""

from __future__ import annotations

from service.domain.anatomy import PERSON
from service.domain.field import Field
from service.domain.measurement import MeasurementKind
from service.domain.terms import Term, terms
from service.domain.values import in_words, read_value

KIND = MeasurementKind(
    name="work-status",
    version=1,
    title="Work status",
    description="Whether and how a person works at present.",
    sites=(PERSON,),
    sides=("",),
    stem="work-status",
    axes=(),
    fields=(Field("occupation", "Occupation, in the words used"),),
    units=(),
    values=terms(
        Term("full-duty", "at work, all duties"),
        Term("modified-duty", "at work, duties changed because of the hand"),
        Term("off-because-of-hand", "off work because of the hand"),
        Term("off-for-other-reason", "off work for another reason"),
        Term("not-employed", "not in paid work"),
    ),
    series_key=("site", "treatment", "repeat"),
    watched=("performer",),
    read=read_value,
    display=in_words("Work status"),
)
