"""Touch-pressure threshold: the lightest monofilament felt in a zone of skin."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from service.domain.anatomy import PARTS, Site
from service.domain.field import Field, choices
from service.domain.measurement import Better, Coded, Entry, MeasurementKind, Value
from service.domain.terms import Term, by_code
from service.errors import Invalid, Issue

_KIT = (
    # marking, target force in gram-force of the 20-piece kit: https://pmc.ncbi.nlm.nih.gov/articles/PMC7873561 table 1
    ("1.65", "0.008"), ("2.36", "0.02"), ("2.44", "0.04"), ("2.83", "0.07"), ("3.22", "0.16"), ("3.61", "0.4"),
    ("3.84", "0.6"), ("4.08", "1"), ("4.17", "1.4"), ("4.31", "2"), ("4.56", "4"), ("4.74", "6"), ("4.93", "8"),
    ("5.07", "10"), ("5.18", "15"), ("5.46", "26"), ("5.88", "60"), ("6.10", "100"), ("6.45", "180"), ("6.65", "300"),
)  # fmt: skip
_FROM_MEMORY = ("2.36", "4.17", "4.93")
"""Markings whose kit force was not among the figures seen in that table; theirs are from memory, and say so."""

MARKINGS: tuple[str, ...] = tuple(marking for marking, _ in _KIT)
"""The 20 markings, lightest first. A marking is a name, not a number to compute with."""

NOT_FELT = "not-felt"


def _force(marking: str, force: str) -> dict[str, str]:
    status = "from memory" if marking in _FROM_MEMORY else "published"
    return {"target-force-gf": force, "target-force-status": status}


VALUES = by_code(
    (
        *(
            Term(f"marking-{m}", f"monofilament {m}", properties={"marking": m, **_force(m, force)})
            for m, force in _KIT
        ),
        Term(NOT_FELT, "not felt with the largest monofilament (6.65)"),
    )
)

SET = Field(
    "monofilament_set",
    "Which monofilaments were at hand",
    choices(full_20="set of 20", five="set of 5 (2.83, 3.61, 4.31, 4.56, 6.65)", other="another set"),
)
RESPONSES = Field(
    "responses",
    "How a response was counted",
    choices(
        one_of_three="felt at least once in three touches",
        two_of_three="felt at least twice in three touches",
        other="another rule",
    ),
)

_MISPRINTS = {"4.65": "4.56 (4.65 is a misprint of it, found in print)"}


def read(_kind: MeasurementKind, entry: Entry, _site: Site) -> Iterable[tuple[Mapping[str, str], Value]]:
    """The marking as printed on the monofilament, or `not-felt`."""
    text = entry.value.strip().replace(",", ".")
    if text == NOT_FELT:
        return [({}, Coded(NOT_FELT))]
    marking = {"6.1": "6.10"}.get(text, text)
    if marking not in MARKINGS:
        expected = _MISPRINTS.get(text, "one of " + ", ".join(MARKINGS) + f", or {NOT_FELT}")
        message = f"No monofilament carries the marking {entry.value}."
        raise Invalid(Issue("value", message, "value", entry.value, "monofilament-marking", expected))
    return [({}, Coded(f"marking-{marking}"))]


def marking_of(value: Coded) -> str:
    """The marking of a value, or `not-felt`."""
    return value.code.removeprefix("marking-")


def display(_axes: Mapping[str, str]) -> str:
    """In words."""
    return "Touch-pressure threshold by monofilament"


def _better(_axes: Mapping[str, str]) -> Better:
    return "less"


KIND = MeasurementKind(
    name="touch-threshold",
    version=1,
    title="Touch-pressure threshold",
    description=(
        "The lightest monofilament felt in a zone of skin, kept by its marking. Not felt with the largest is a value; "
        "not testable is a missing value with its reason."
    ),
    sites=tuple(key for key, part in PARTS.items() if part.kind == "zone"),
    stem="touch-threshold",
    axes=(),
    fields=(SET, RESPONSES),
    units=(),
    values=VALUES,
    series_key=("site", "treatment", "repeat"),
    watched=("performer", "instrument", "monofilament_set", "responses", "time_of_day"),
    read=read,
    display=display,
    better=_better,
)
