"""How the value of an entry is read, whatever its kind: a code of the kind's own list, a number with its unit, trials.

Checks that several kinds share stand here too: a score that must be a whole number, a unit that must fit what was
measured, a code that belongs to another question.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import Site
from service.domain.arcs import number
from service.domain.field import UNKNOWN, Field
from service.domain.measurement import (
    Bounds,
    Check,
    Coded,
    Entry,
    Finding,
    Measurement,
    MeasurementKind,
    Quantity,
    Value,
)
from service.domain.trials import read_with_trials
from service.errors import Invalid, Issue

_COMPARED = re.compile(r"\s*(<=|>=|<|>)?\s*(.*)", re.DOTALL)


def read_value(kind: MeasurementKind, entry: Entry, _site: Site) -> Iterable[tuple[Mapping[str, str], Value]]:
    """A code of the kind, else a number, with `<` or `>` before it where the range of the instrument ended."""
    if entry.value in kind.values:
        return [({}, Coded(entry.value))]
    if not kind.units:
        message = f"'{entry.value}' is not a value of {kind.title.lower()}."
        expected = "one of " + ", ".join(kind.values)
        raise Invalid(Issue("value", message, "value", entry.value, "known-value", expected))
    if entry.trials:
        return [({}, read_with_trials(kind, entry))]
    comparator, text = _COMPARED.fullmatch(entry.value).groups(default="")  # type: ignore[union-attr] # matches any text
    try:
        return [({}, Quantity(number(text), entry.unit, comparator))]
    except Invalid as error:
        if not kind.values:
            raise
        (issue,) = error.issues
        expected = "a number, or one of " + ", ".join(kind.values)
        raise Invalid(Issue(issue.code, issue.message, issue.where, issue.value, issue.rule, expected)) from None


def in_words(title: str, *axes: Field) -> Callable[[Mapping[str, str]], str]:
    """The display of a code: the title, then the answer to each axis."""

    def display(answers: Mapping[str, str]) -> str:
        return ", ".join([title, *(_said(axis, answers[axis.name]) for axis in axes)])

    return display


def _said(axis: Field, answer: str) -> str:
    if answer == UNKNOWN:
        return f"{axis.title[0].lower()}{axis.title[1:]}: not recorded"
    return axis.choices[answer].display


def score_of(kind: MeasurementKind, measurement: Measurement) -> Decimal | None:
    """The number of a quantity, or the rank that a coded value has on its scale; None where there is neither."""
    if isinstance(measurement.value, Coded):
        rank = kind.values[measurement.value.code].properties.get("score")
        return Decimal(rank) if rank else None
    return measurement.number


def scale(most: int, source: str) -> Callable[[Site, Mapping[str, str]], Bounds]:
    """The bounds of a score that cannot exceed the end of its scale."""
    limit = Bounds(None, Decimal(most), "{score}", source)
    return lambda _site, _axes: limit


def whole_number(measurement: Measurement) -> Iterable[Finding]:
    """Refuses a fraction on a scale of whole steps."""
    for quantity in measurement.quantities:
        if quantity.number != quantity.number.to_integral_value():
            message = "The scale has whole steps only."
            issue = Issue("value", message, "value", str(quantity.number), "whole-number", "a whole number")
            yield Finding("refuse", issue)


def unit_fits(axis: str, units: Mapping[str, Sequence[str]]) -> Check:
    """Refuses a unit that does not measure what the axis says was measured."""

    def check(measurement: Measurement) -> Iterable[Finding]:
        able = units.get(measurement.axes[axis], ())
        for quantity in measurement.quantities:
            if quantity.unit not in able:
                message = f"'{quantity.unit}' does not measure {measurement.axes[axis].replace('-', ' ')}."
                expected = " or ".join(able) or "another answer to what was measured"
                yield Finding("refuse", Issue("value", message, "unit", quantity.unit, "unit-of-measure", expected))

    return check


def code_fits(axis: str, codes: Mapping[str, Sequence[str]]) -> Check:
    """Refuses a code that answers another question than the one the axis asks."""

    def check(measurement: Measurement) -> Iterable[Finding]:
        able = codes.get(measurement.axes[axis], ())
        if isinstance(measurement.value, Coded) and measurement.value.code not in able:
            message = f"'{measurement.value.code}' is no answer to {measurement.axes[axis].replace('-', ' ')}."
            expected = "one of " + ", ".join(able)
            yield Finding("refuse", Issue("value", message, "value", measurement.value.code, "value-of-code", expected))

    return check


def at_most_as_many(part: str, whole: str) -> Check:
    """Refuses a count that exceeds the count it is part of; both are fields."""

    def check(measurement: Measurement) -> Iterable[Finding]:
        some, all_ = (measurement.answer(name).partition(" ")[0] for name in (part, whole))
        if UNKNOWN not in (some, all_) and Decimal(some) > Decimal(all_):
            message = f"There cannot be more {part.replace('_', ' ')} than {whole.replace('_', ' ')}."
            yield Finding("refuse", Issue("value", message, part, some, "count", f"at most {all_}"))

    return check
