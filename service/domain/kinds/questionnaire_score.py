"""Score of a questionnaire: which instrument, version and language, who answered, how many items. No item text.

Ranges are checked only where one is known: the disabilities score has 30 items and runs from 0 to 100 (scoring note
of 2002, https://fr.scribd.com/doc/196955707); for other instruments the end of the scale is not claimed here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal

from service.domain.anatomy import PERSON, Site
from service.domain.field import UNKNOWN, Field, choices
from service.domain.measurement import Bounds, Finding, Measurement, MeasurementKind
from service.domain.values import at_most_as_many, in_words, read_value
from service.errors import Issue

QUESTIONNAIRE = Field(
    "questionnaire",
    "Which questionnaire",
    choices(
        dash="DASH",
        quickdash="QuickDASH",
        prwe="PRWE",
        other="another questionnaire, named in its own field",
    ),
    required=True,
)
NAME = Field("questionnaire_name", "The questionnaire's name, where it is another")
VERSION = Field("questionnaire_version", "Version of the questionnaire")
LANGUAGE = Field("questionnaire_language", "Language in which it was answered, as a BCP 47 code such as de or en-GB")
ANSWERED_BY = Field(
    "answered_by",
    "Who answered",
    choices(patient="the patient", with_help="the patient with help", proxy="somebody else for the patient"),
)
ANSWERED = Field("items_answered", "How many items were answered", units=("1",))
ITEMS = Field("items_in_all", "How many items the instrument has", units=("1",))
_ITEMS = {"dash": 30}


def bounds(_site: Site, axes: Mapping[str, str]) -> Bounds | None:
    """100 where the scale is known to end there, else none."""
    if axes["questionnaire"] not in _ITEMS:
        return None
    source = "((sum of answers / answers) - 1) x 25, answers 1 to 5: scoring note 2002"
    return Bounds(None, Decimal(100), "{score}", source)


def items(measurement: Measurement) -> Iterable[Finding]:
    """Refuses more answers than the instrument is known to have items."""
    answered = measurement.answer("items_answered").partition(" ")[0]
    known = _ITEMS.get(measurement.axes["questionnaire"])
    if known and answered != UNKNOWN and Decimal(answered) > known:
        message = "More items were answered than the questionnaire has."
        yield Finding("refuse", Issue("value", message, "items_answered", answered, "items", f"at most {known}"))


def named(measurement: Measurement) -> Iterable[Finding]:
    """Refuses a score of a questionnaire that nobody named."""
    if measurement.axes["questionnaire"] == "other" and measurement.answer("questionnaire_name") == UNKNOWN:
        message = "A score of another questionnaire needs the questionnaire's name."
        yield Finding("refuse", Issue("required", message, "questionnaire_name", "", "questionnaire-name", "its name"))


KIND = MeasurementKind(
    name="questionnaire-score",
    version=1,
    title="Questionnaire score",
    description="Score of a questionnaire that a patient answered, with version, language and items answered.",
    sites=(PERSON,),
    sides=("",),
    stem="questionnaire-score",
    axes=(QUESTIONNAIRE,),
    fields=(NAME, VERSION, LANGUAGE, ANSWERED_BY, ANSWERED, ITEMS),
    units=("{score}",),
    series_key=(
        "site", "questionnaire", "questionnaire_name", "questionnaire_version", "questionnaire_language", "answered_by",
        "treatment", "repeat",
    ),
    watched=("performer", "items_answered"),
    read=read_value,
    display=in_words("Questionnaire score", QUESTIONNAIRE),
    bounds=bounds,
    checks=(items, named, at_most_as_many("items_answered", "items_in_all")),
    better=lambda axes: "unstated" if axes["questionnaire"] == "other" else "less",
)  # fmt: skip
