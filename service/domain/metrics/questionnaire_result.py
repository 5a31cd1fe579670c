"""Whether the score of a questionnaire stands, by the instrument's rule on missing items; and scores from sums."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.domain.anatomy import PartState
from service.domain.field import UNKNOWN, amount_of
from service.domain.kinds import questionnaire_score
from service.domain.measurement import ABSENT_REASONS, Absent, Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.units import rounded


@dataclass(frozen=True, slots=True)
class Instrument:
    """How many items a questionnaire has, and how many of them must be answered for a score to stand."""

    items: int
    least: int
    source: Source


INSTRUMENTS = {
    "dash": Instrument(30, 27, Source("scoring note of 2002, fr.scribd.com/doc/196955707", "published")),
    "quickdash": Instrument(
        11, 10, Source("zaro.info/outcome-measure-calculation/how-do-you-calculate-quick-dash", "published")
    ),
    "prwe": Instrument(15, 15, Source("MacDermid: no missing items; that rule is from memory", "from memory")),
}


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each recorded score."""
    return tuple(_result(m) for m in measurements if m.kind == questionnaire_score.KIND.name)


def _result(reading: Measurement) -> Result:
    name = reading.answer("questionnaire")
    instrument = INSTRUMENTS.get(name)
    alike = ("questionnaire", "questionnaire_name", "questionnaire_version", "questionnaire_language", "answered_by")
    value, notes = _value(reading, instrument)
    return METRIC.result(
        reading.site,
        value,
        (reading,),
        {each: reading.answer(each) for each in (*alike, "treatment")},
        notes=notes,
        source=instrument.source if instrument else None,
    )


def _value(reading: Measurement, instrument: Instrument | None) -> tuple[Quantity | Missing, list[str]]:
    if isinstance(reading.value, Absent):
        return Missing("value-absent", f"There is no score: {ABSENT_REASONS[reading.value.reason]}."), []
    assert isinstance(reading.value, Quantity)  # noqa: S101 - a score is a number or missing
    answered = reading.answer("items_answered")
    if instrument is None:
        return reading.value, ["the questionnaire's rule on missing items is not known here"]
    if answered == UNKNOWN:
        return reading.value, ["how many items were answered was not recorded: whether the score stands is not known"]
    missing = not_scorable(instrument, int(Decimal(amount_of(answered)[0])))
    return missing or reading.value, []


def not_scorable(instrument: Instrument, answered: int) -> Missing | None:
    """Why so few answers make no score, if they are too few."""
    if answered >= instrument.least:
        return None
    lacking, allowed = instrument.items - answered, instrument.items - instrument.least
    items = "item" if lacking == 1 else "items"
    return Missing("not-scorable", f"Not scorable: {lacking} {items} missing; at most {allowed} may be.")


def disability_score(name: str, total: Decimal, answered: int) -> Quantity | Missing:
    """The score of `dash` or `quickdash` from the sum of answers from 1 to 5, and how many there were; 0 to 100."""
    missing = not_scorable(INSTRUMENTS[name], answered)
    return missing or Quantity(rounded((Fraction(total) / answered - 1) * 25), "{score}")


def wrist_score(pain: Decimal, function: Decimal) -> Quantity:
    """The score of `prwe` from the sums of its five pain and ten function items, each from 0 to 10; 0 to 100."""
    return Quantity(pain + function / 2, "{score}")


METRIC = Metric(
    name="questionnaire-result",
    version=1,
    title="Questionnaire score that stands",
    unit="{score}",
    formula=(
        "The recorded score, where enough items were answered: DASH 27 of 30, QuickDASH 10 of 11, PRWE all 15 (from "
        "memory). DASH and QuickDASH are ((sum of answers / answers) - 1) x 25."
    ),
    source=Source("the scoring note of the questionnaire", "published"),
    rule=compute,
)
