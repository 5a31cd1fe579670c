"""The category of a touch-pressure threshold in one zone of skin, by a named table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.domain.anatomy import PartState, lacking
from service.domain.field import UNKNOWN
from service.domain.kinds import touch_threshold
from service.domain.measurement import ABSENT_REASONS, Absent, Coded, Measurement
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.terms import Term, terms
from service.errors import Invalid, Issue

CATEGORIES: Mapping[str, Term] = terms(
    Term("normal", "normal"),
    Term("diminished-light-touch", "diminished light touch"),
    Term("diminished-protective-sensation", "diminished protective sensation"),
    Term("loss-of-protective-sensation", "loss of protective sensation"),
    Term("deep-pressure-sensation-only", "deep pressure sensation only"),
    Term("not-felt", "not felt with the largest monofilament"),
)
"""Best first."""


FIVE = ("2.83", "3.61", "4.31", "4.56", "6.65")
"""The markings of a set of five."""


@dataclass(frozen=True, slots=True)
class Scheme:
    """A table that gives a category to each marking: `bands` are the largest marking of each category, in order.

    Markings are compared by their place in the kit, never by grams: kit grams and formula grams differ.
    """

    name: str
    bands: tuple[tuple[str, str], ...]
    source: Source

    def category(self, marking: str) -> str:
        """The category of a marking of the kit."""
        place = touch_threshold.MARKINGS.index
        return next(category for last, category in self.bands if place(marking) <= place(last))


SCHEMES: dict[str, Scheme] = {
    scheme.name: scheme
    for scheme in (
        Scheme(
            "hand-five-bands",
            (
                ("2.83", "normal"),
                ("3.61", "diminished-light-touch"),
                ("4.31", "diminished-protective-sensation"),
                ("6.45", "loss-of-protective-sensation"),
                ("6.65", "deep-pressure-sensation-only"),
            ),
            Source("hand cut-offs, https://pmc.ncbi.nlm.nih.gov/articles/PMC7873561 table 1", "published"),
        ),
    )
}


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each reading of a zone."""
    scheme = scheme_of(parameters)
    return tuple(_category(m, states, scheme) for m in measurements if m.kind == touch_threshold.KIND.name)


def scheme_of(parameters: Parameters) -> Scheme:
    """The table that the parameters name."""
    if parameters.touch_scheme not in SCHEMES:
        message = f"'{parameters.touch_scheme}' is not a table of touch categories."
        expected = "one of " + ", ".join(SCHEMES)
        raise Invalid(Issue("value", message, "touch_scheme", parameters.touch_scheme, "touch-scheme", expected))
    return SCHEMES[parameters.touch_scheme]


def _category(reading: Measurement, states: Sequence[PartState], scheme: Scheme) -> Result:
    return METRIC.result(
        reading.site,
        _value(reading, states, scheme),
        (reading,),
        {"treatment": reading.answer("treatment"), "scheme": scheme.name},
        parameters={"scheme": scheme.name},
        notes=_notes(reading),
        source=scheme.source,
    )


def _notes(reading: Measurement) -> list[str]:
    """What markings that were not at hand leave open: the threshold lies above the next lighter one of the set."""
    at_hand = reading.answer(touch_threshold.SET.name)
    if not isinstance(reading.value, Coded) or at_hand == "full-20":
        return []
    marking = touch_threshold.marking_of(reading.value)
    if at_hand != "five":
        known = "is not known" if at_hand == UNKNOWN else "was not the full set"
        return [f"which monofilaments were at hand {known}: the threshold may lie in a lighter category"]
    place = FIVE.index(marking) if marking in FIVE else 0
    if not place:
        return []
    return [f"set of five: the threshold lies above {FIVE[place - 1]} and at or below {marking}"]


def _value(reading: Measurement, states: Sequence[PartState], scheme: Scheme) -> Coded | Missing:
    lack = lacking(states, reading.site, reading.circumstances.taken.date())
    if lack:
        return Missing("part-absent", f"The {reading.site.name} is not there.")
    if isinstance(reading.value, Absent):
        reason = f"The {reading.site.name} was not tested: {ABSENT_REASONS[reading.value.reason]}."
        return Missing("not-testable", reason)
    assert isinstance(reading.value, Coded)  # noqa: S101 - the kind has no other values
    marking = touch_threshold.marking_of(reading.value)
    return Coded("not-felt" if marking == touch_threshold.NOT_FELT else scheme.category(marking))


METRIC = Metric(
    name="touch-threshold-category",
    version=1,
    title="Touch threshold category",
    values=CATEGORIES,
    formula="The category that the named table gives to the marking of the lightest monofilament felt.",
    source=SCHEMES["hand-five-bands"].source,
    rule=compute,
)
