"""What a clinic bills by: the sets of rules that ship, its own, and its own table of codes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Literal

from service.domain.billing.codes import Code, Table, hcpcs
from service.domain.billing.own_table import own_table
from service.domain.billing.rule_sets import DateRule, EvidenceRule, LineRule, LookBack, Payer, RuleSet, require_sound
from service.errors import Issue, Misconfigured, RecordError
from service.fhir import text
from service.usecases.form import Day, Form, Text, filled

RULES, CODES = "HANDRECORD_BILLING_RULES", "HANDRECORD_BILLING_CODES"


class _Payer(Form):
    name: str = ""
    system: str = ""
    value: str = ""


class _Evidence(Form):
    item: str
    source: Text
    before: str = ""
    only_for: list[str] = []


class _LookBack(Form):
    years: int
    unless: list[str] = []
    statement: str
    source: Text


class _Date(Form):
    at: str
    cancelled_custom: bool = False
    source: Text


class _Lines(Form):
    required: bool
    bilateral: str
    source: Text
    side_modifiers: dict[Literal["left", "right"], str] = {}
    digit_modifiers: dict[Literal["left", "right"], dict[str, str]] = {}
    digit_codes: list[str] = []
    replacement_modifier: str = ""
    part_modifier: str = ""


class _RuleSet(Form):
    name: Text
    title: Text
    version: Text
    source: Text
    jurisdiction: str
    payers: list[_Payer]
    valid_from: Day
    valid_until: Day | None = None
    evidence: list[_Evidence]
    look_back: _LookBack | None = None
    date_of_service: _Date
    lines: _Lines
    code_systems: list[str]
    says: Text

    def made(self) -> RuleSet:
        """As the trade has it. Raises `Invalid`."""
        back = self.look_back
        rules = RuleSet(
            self.name,
            self.title,
            self.version,
            self.source,
            self.jurisdiction,
            tuple(Payer(**payer.model_dump()) for payer in self.payers),
            self.valid_from,
            self.valid_until,
            tuple(EvidenceRule(e.item, e.source, e.before, tuple(e.only_for)) for e in self.evidence),
            LookBack(back.years, tuple(back.unless), back.statement, back.source) if back else None,
            DateRule(**self.date_of_service.model_dump()),
            LineRule(**{**self.lines.model_dump(), "digit_codes": tuple(self.lines.digit_codes)}),
            tuple(self.code_systems),
            self.says,
        )
        require_sound(rules)
        return rules


@dataclass(frozen=True, slots=True)
class Billing:
    """The rule sets at hand, the tables of public codes, and the clinic's own codes."""

    rule_sets: tuple[RuleSet, ...]
    tables: tuple[Table, ...]
    own: tuple[Code, ...] = field(default=())


def read_rules(body: bytes, place: str = "") -> RuleSet:
    """One set of rules from its file. Raises `Malformed` or `Invalid`."""
    return filled(text.parse(body), _RuleSet, place).made()


@cache
def shipped() -> tuple[RuleSet, ...]:
    """The sets that ship with the record."""
    folder = files("service.domain.billing").joinpath("rules")
    return tuple(read_rules(each.read_bytes()) for each in sorted(folder.iterdir(), key=lambda each: each.name))


def billing_of(rules: Path | None, codes: Path | None) -> Billing:
    """What ships, with the clinic's own. A set of the clinic's own takes the place of a shipped one of its name.

    Raises `Misconfigured` for a file that cannot be used, with every reason.
    """
    own = tuple(_rules_in(rules)) if rules else ()
    names = {each.name for each in own}
    kept = tuple(each for each in shipped() if each.name not in names)
    return Billing((*own, *kept), (hcpcs(),), _codes_in(codes) if codes else ())


def _rules_in(folder: Path) -> Iterator[RuleSet]:
    with _usable(RULES):
        paths = sorted(path for path in folder.iterdir() if path.suffix == ".json")
    if not paths:
        message = "The folder of rule sets holds no JSON file."
        raise Misconfigured(Issue("value", message, RULES, expected="one file for each set of rules"))
    for path in paths:
        with _usable(f"{RULES}, {path.name}"):
            yield read_rules(path.read_bytes())


def _codes_in(path: Path) -> tuple[Code, ...]:
    with _usable(CODES):
        return own_table(path.read_text(encoding="utf-8-sig"))


@contextmanager
def _usable(place: str) -> Iterator[None]:
    """Whatever is wrong with a file leaves as `Misconfigured`, with the place."""
    try:
        yield
    except OSError as problem:
        message = f"It cannot be read: {problem.strerror}."
        raise Misconfigured(Issue("exception", message, place)) from problem
    except UnicodeDecodeError as problem:
        raise Misconfigured(Issue("structure", "The file is not in UTF-8.", place)) from problem
    except RecordError as error:
        raise Misconfigured(*(issue.at(place) for issue in error.issues)) from error
