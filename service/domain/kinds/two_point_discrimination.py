"""Two-point discrimination: the smallest distance of two points told apart, still or moving, on half a finger tip."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal

from service.domain.anatomy import PARTS
from service.domain.field import Field, choices
from service.domain.measurement import Bounds, Finding, Measurement, MeasurementKind
from service.domain.terms import SNOMED, Coding, Term, terms
from service.domain.values import at_most_as_many, in_words, read_value
from service.errors import Issue

TOUCH = Field(
    "touch",
    "Whether the points were still or moved along the skin",
    choices(static="static", moving="moving"),
    required=True,
)
CRITERION = Field(
    "criterion",
    "How many answers had to be right",
    choices(
        seven_of_ten="7 of 10", four_of_five="4 of 5", two_of_three="2 of 3", other="another rule",
    ),
)  # fmt: skip
CORRECT = Field("correct_responses", "How many answers at this distance were right", units=("1",))
ASKED = Field("responses_asked", "How many times this distance was asked about", units=("1",))

VALUES = terms(
    Term("one-point-only", "two points were never told apart: one point only"),
    Term("none", "no touch was felt"),
    Term("not-testable", "could not be tested"),
)


def at_least_one(measurement: Measurement) -> Iterable[Finding]:
    """Refuses a distance below 1 mm, which no instrument offers."""
    if measurement.number is not None and measurement.number < 1:
        message = "Two points are never closer than 1 mm."
        expected = "1 to 25 mm (a limit of this record; not published)"
        value = str(measurement.number)
        yield Finding("refuse", Issue("value", message, "value", value, "least-distance", expected))


def _same(axes: Mapping[str, str]) -> tuple[Coding, ...]:
    static = Coding(SNOMED, "28239005", "Two point static discrimination")
    return (static,) if axes["touch"] == "static" else ()


KIND = MeasurementKind(
    name="two-point-discrimination",
    version=1,
    title="Two-point discrimination",
    description=(
        "The smallest distance at which two points are told from one, on the radial or ulnar half of a finger tip. One "
        "point only, no touch felt and not testable are values."
    ),
    sites=tuple(key for key, part in PARTS.items() if part.kind == "half-zone"),
    stem="two-point-discrimination",
    axes=(TOUCH,),
    fields=(CRITERION, CORRECT, ASKED),
    units=("mm",),
    values=VALUES,
    series_key=("site", "touch", "criterion", "treatment", "repeat"),
    watched=("performer", "instrument", "time_of_day"),
    read=read_value,
    display=in_words("Two-point discrimination", TOUCH),
    bounds=lambda _site, _axes: Bounds(Decimal(15), Decimal(25), "mm", "a limit of this record; not published"),
    checks=(at_least_one, at_most_as_many("correct_responses", "responses_asked")),
    same=_same,
    better=lambda _axes: "less",
)
