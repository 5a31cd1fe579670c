"""A payer's rules as data: what evidence is asked for, from when to when, and how lines are made.

A set informs those who confirm; that it is complete, or in force, is for them to judge.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

from service.domain.orthosis.design import FABRICATION
from service.domain.orthosis.episode import END_REASONS
from service.errors import Invalid, Issue

ITEMS: dict[str, str] = {
    "order": "Order: by whom, when, and for what",
    "order-signature": "Order signed",
    "medical-need": "Why it is needed",
    "description": "Description that tells custom from prefabricated, and fitted from self-adjusted",
    "side-and-digits": "Side and digits",
    "delivery-date": "Date of delivery",
    "proof-of-delivery": "Proof of delivery, with who signed and how related",
    "instructions": "Instructions given",
    "fitting": "Fitted by whom, with what expertise",
    "same-or-similar": "Nothing same or similar inside the look-back",
    "plan-of-care": "Plan of care",
    "supplier": "Supplier",
}
"""What evidence can be asked for."""
BEFORE = ("", "claim", "delivery")
AT = ("delivery", "fitting", "decision")
BILATERAL: dict[str, str] = {
    "line-each": "each side is a line of its own",
    "one-line": "both sides are one line of two units",
}
FALL_BACK = "record-only"
"""The set that applies where no other does."""
DECIDES = "Local payer rules and licensed practice decide; this record informs, and chooses no code."


@dataclass(frozen=True, slots=True)
class EvidenceRule:
    """One item asked for. `before` says by when an order must be: the claim, or the delivery.

    `only_for` names the ways of fabrication for which it is asked; empty: for all.
    """

    item: str
    source: str
    before: str = ""
    only_for: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LookBack:
    """For how many years nothing same or similar was supplied.

    `unless` are reasons of an end that excuse an earlier one, `statement` the evidence that does.
    """

    years: int
    unless: tuple[str, ...]
    statement: str
    source: str


@dataclass(frozen=True, slots=True)
class DateRule:
    """Which day is the date of service; with `cancelled_custom` that of the end, for a custom one never fitted."""

    at: str
    cancelled_custom: bool
    source: str


@dataclass(frozen=True, slots=True)
class LineRule:
    """How lines are made. `digit_codes` are the codes whose descriptor asks for the digit by a modifier."""

    required: bool
    bilateral: str
    source: str
    side_modifiers: Mapping[str, str] = field(default_factory=dict)
    digit_modifiers: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    digit_codes: tuple[str, ...] = ()
    replacement_modifier: str = ""
    part_modifier: str = ""


@dataclass(frozen=True, slots=True)
class Payer:
    """A payer as a Coverage names it: by name, or by identifier."""

    name: str = ""
    system: str = ""
    value: str = ""

    def is_one_of(self, others: Iterable[Payer]) -> bool:
        """Whether one of these is the same payer."""
        return any(
            (self.value and (self.system, self.value) == (other.system, other.value))
            or (self.name and self.name.strip().casefold() == other.name.strip().casefold())
            for other in others
        )


@dataclass(frozen=True)
class RuleSet:
    """One payer's rules, from a day on, until another (the last day on which they hold)."""

    name: str
    title: str
    version: str
    source: str
    jurisdiction: str
    payers: tuple[Payer, ...]
    valid_from: date
    valid_until: date | None
    evidence: tuple[EvidenceRule, ...]
    look_back: LookBack | None
    date_of_service: DateRule
    lines: LineRule
    code_systems: tuple[str, ...]
    says: str

    @cached_property
    def label(self) -> str:
        """Name and version, as charges carry them."""
        return f"{self.name} {self.version}"

    def holds_on(self, day: date) -> bool:
        """Whether it holds on a day."""
        return self.valid_from <= day and (self.valid_until is None or day <= self.valid_until)


def require_sound(rules: RuleSet) -> None:
    """Raises `Invalid` with everything about a set of rules that cannot be."""
    listed: list[tuple[str, str, Iterable[str]]] = []
    for n, asked in enumerate(rules.evidence):
        listed.append((f"evidence[{n}].item", asked.item, ITEMS))
        listed.append((f"evidence[{n}].before", asked.before, BEFORE))
        listed += [(f"evidence[{n}].only_for", each, FABRICATION) for each in asked.only_for]
    listed += [("look_back.unless", each, END_REASONS) for each in (rules.look_back.unless if rules.look_back else ())]
    listed.append(("date_of_service.at", rules.date_of_service.at, AT))
    listed.append(("lines.bilateral", rules.lines.bilateral, BILATERAL))
    issues = [
        Issue("value", f"'{given}' is not known here.", where, given, "known-rule", "one of " + ", ".join(allowed))
        for where, given, allowed in listed
        if given not in tuple(allowed)
    ]
    if rules.valid_until and rules.valid_until < rules.valid_from:
        message = "The rules end before they begin."
        issues.append(Issue("value", message, "valid_until", rules.valid_until.isoformat(), "order-of-days"))
    if rules.look_back and rules.look_back.years < 1:
        message = "A look-back is a number of years."
        issues.append(Issue("value", message, "look_back.years", str(rules.look_back.years), "years", "1 or more"))
    if issues:
        raise Invalid(*issues)


@dataclass(frozen=True, slots=True)
class Choice:
    """The rules that apply, and why these."""

    rules: RuleSet
    because: str


def chosen(sets: Iterable[RuleSet], payers: Iterable[Payer], day: date) -> Choice:
    """The rules of this payer that hold on this day; of several, those that hold from the latest day on.

    Where none do, the set that asks nothing.
    """
    known, named = tuple(sets), tuple(payers)
    for payer in named:
        fitting = [each for each in known if payer.is_one_of(each.payers) and each.holds_on(day)]
        if fitting:
            rules = max(fitting, key=lambda each: each.valid_from)
            return Choice(rules, f"The coverage names the payer '{payer.name or payer.value}', on {day.isoformat()}.")
    rules = next(each for each in known if each.name == FALL_BACK)
    if not named:
        return Choice(rules, f"No coverage in force on {day.isoformat()} names a payer.")
    told = ", ".join(f"'{payer.name or payer.value}'" for payer in named)
    return Choice(rules, f"There are no rules here for {told} on {day.isoformat()}.")
