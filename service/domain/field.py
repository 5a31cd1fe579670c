"""A piece of context that a reading carries, and the permitted answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from service.domain.terms import Term, by_code

UNKNOWN = "unknown"
"""The answer that stands for: not recorded. It is said, never left out, and matches only itself."""


@dataclass(frozen=True, slots=True)
class Field:
    """One piece of context a reading carries.

    `choices` lists the permitted answers; a field with `units` takes an amount in one of them, written `12.5 kgf`;
    a field with neither takes text. Unless `required`, `unknown` is always allowed and is what an omitted field
    means. `place` is where FHIR keeps it: a component of its own, or the element made for it.
    """

    name: str
    title: str
    choices: Mapping[str, Term] = field(default_factory=dict)
    required: bool = False
    units: tuple[str, ...] = ()
    place: Literal["component", "method"] = "component"

    @property
    def codes(self) -> tuple[str, ...]:
        """Every permitted answer, `unknown` among them unless the field is required."""
        return tuple(self.choices) + (() if self.required else (UNKNOWN,))


def choices(**given: str) -> dict[str, Term]:
    """Answers by code, from `code="what it means"`; underscores in a code become hyphens."""
    return by_code(Term(code.replace("_", "-"), display) for code, display in given.items())


TREATMENT = Field(
    "treatment",
    "Before or after the treatment of the visit",
    choices(before="before treatment", after="after treatment"),
)
INSTRUMENT = Field("instrument", "The instrument used, as the clinic names it")
PAIN_LIMITED = Field(
    "pain_limited",
    "Whether pain limited the reading",
    choices(yes="pain limited it", no="pain did not limit it"),
)
REPEAT = Field(
    "repeat",
    "Whether the reading repeats one of the same visit, to learn the error of measurement",
    choices(second="second reading of the same thing", third="third reading of the same thing"),
)
COMMON: tuple[Field, ...] = (TREATMENT, INSTRUMENT, PAIN_LIMITED, REPEAT)
"""Context that every kind carries."""

ORTHOSIS_STATE = Field(
    "orthosis_state",
    "Whether the hand was in an orthosis",
    choices(
        free="free: no orthosis on, none just taken off",
        in_orthosis="measured in the orthosis",
        out_of_orthosis="measured just out of the orthosis",
    ),
)

MODE = Field(
    "mode",
    "Who moved the joint",
    choices(active="active: by the patient", passive="passive: by the examiner", assisted="active with assistance"),
)


def amount_of(text: str) -> tuple[str, str]:
    """Number and unit of an answer to a field with units: `12.5 kgf`."""
    number, _, unit = text.partition(" ")
    return number, unit
