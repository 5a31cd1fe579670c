"""Single attempts at one test, and the named rules that make one value of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import ROUND_HALF_EVEN, Decimal

from service.domain.arcs import number
from service.domain.measurement import ABSENT_REASONS, Absent, Entry, MeasurementKind, Quantity, Value
from service.domain.terms import Term, terms
from service.errors import Invalid, Issue

_ALL = terms(
    Term("mean-of-trials", "mean of the trials done"),
    Term("best-of-trials", "largest of the trials done"),
    Term("smallest-of-trials", "smallest of the trials done"),
    Term("single-value", "one value as recorded, its trials not given"),
)


def rules(*codes: str) -> dict[str, Term]:
    """These rules; the first is the one taken where trials are given and none is named."""
    return {code: _ALL[code] for code in codes}


SUMMARY_RULES: dict[str, Term] = rules("mean-of-trials", "best-of-trials", "single-value")
"""The rules for strength: the mean where none is named."""


def _mean(values: Sequence[Decimal]) -> Decimal:
    """The mean, with one decimal more than the finest trial has."""
    finest = max(-int(v.as_tuple().exponent) for v in values)
    exact = sum(values, Decimal(0)) / len(values)
    return exact.quantize(Decimal(1).scaleb(-(max(finest, 0) + 1)), ROUND_HALF_EVEN)


_RULES: dict[str, Callable[[Sequence[Decimal]], Decimal]] = {
    "mean-of-trials": _mean,
    "best-of-trials": max,
    "smallest-of-trials": min,
}


def read_trials(entry: Entry) -> tuple[Quantity | Absent, ...]:
    """The attempts in order; one that was not done carries its reason instead of a number."""
    return tuple(
        Absent(text) if text in ABSENT_REASONS else Quantity(number(text), entry.unit) for text in entry.trials
    )


def summary_rule(entry: Entry) -> str:
    """The rule named in the entry; where none is, the mean of the trials, or the single value given."""
    return entry.fields.get("summary_rule") or ("mean-of-trials" if entry.trials else "single-value")


def read_with_trials(kind: MeasurementKind, entry: Entry) -> Value:
    """The value of an entry: as given, or as its trials make it. A given value that differs is refused."""
    rule = summary_rule(entry)
    if rule not in kind.summary_rules:
        expected = "one of " + ", ".join(kind.summary_rules)
        message = f"'{rule}' is not a rule that summarises trials of {kind.title.lower()}."
        raise Invalid(Issue("value", message, "summary_rule", rule, "summary-rule", expected))
    if rule == "single-value":
        return Quantity(number(entry.value), entry.unit)
    done = [t.number for t in read_trials(entry) if isinstance(t, Quantity)]
    if not done:
        return Absent(next((t for t in entry.trials if t in ABSENT_REASONS), "not-performed"))
    made = _RULES[rule](done)
    if entry.value and number(entry.value) != made and round(number(entry.value), 1) != round(made, 1):
        message = f"The value given differs from the {kind.summary_rules[rule].display}."
        raise Invalid(Issue("value", message, "value", entry.value, rule, str(made)))
    return Quantity(made, entry.unit)
