"""Confirming an episode, returning it with a question, and taking a confirmation back: states, and what may be chosen.

A confirmation rests on versions of resources. When one of them is corrected later, the episode needs review: nothing
is changed and nothing exported until a biller decides to keep the confirmation, or to void it and issue it anew.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from hashlib import sha256

from service.domain.billing.codes import hcpcs
from service.domain.billing.lines import NOT, Candidate, Lines
from service.domain.billing.rule_sets import RuleSet
from service.errors import Conflict, Invalid, Issue

STATES: dict[str, str] = {
    "ready": "every item that the rule set asks for is there; what it does not ask for was not looked at",
    "lacking": "an item asked for is lacking",
    "confirmed": "confirmed by a biller",
    "returned": "returned with a question",
    "needs-review": "something the confirmation rests on was corrected",
    "void": "confirmed once, and taken back",
}
CONFIRMED, RETURNED, VOID = "confirmed", "returned", "void"


@dataclass(frozen=True, slots=True)
class Seen:
    """One version of a resource that a confirmation rests on."""

    reference: str
    version: int


@dataclass(frozen=True, slots=True)
class Round:
    """One decision of a biller about an episode: confirmed, returned with a question, or confirmed and voided.

    `seen` is what it rests on, `charges` the references of the charges it made or is included in, `day` the date of
    service and `cover` the coverage at that time.
    """

    id: str
    status: str
    by: str
    at: datetime
    episode: str
    key: tuple[str, str]
    patient: str
    seen: tuple[Seen, ...] = ()
    charges: tuple[str, ...] = ()
    rules: str = ""
    day: date | None = None
    cover: str = ""
    question: str = ""
    answer: str = ""
    reason: str = ""
    notes: tuple[str, ...] = ()
    version: int = 0


@dataclass(frozen=True, slots=True)
class Chosen:
    """One line that a biller chose. `why` is needed where the code does not fit; `day` where it is a repair's."""

    system: str
    code: str
    units: int = 1
    modifiers: tuple[str, ...] = ()
    why: str = ""
    day: date | None = None


@dataclass(frozen=True, slots=True)
class Charge:
    """One line as it was confirmed. `export` and `reversal` name the exports it left with; `void` says why it ended."""

    id: str
    episode: str
    key: tuple[str, str]
    patient: str
    chosen: Chosen
    display: str
    edition: str
    side: str
    digits: tuple[str, ...]
    day: date
    device: str
    supplier: str
    supplier_reference: str
    procedures: tuple[str, ...]
    evidence: tuple[str, ...]
    rules: str
    cover: str
    by: str
    at: datetime
    export: str = ""
    reversal: str = ""
    void: str = ""


@dataclass(frozen=True, slots=True)
class Changed:
    """Something a confirmation rests on that is not as it was seen, and what became of it."""

    reference: str
    seen: int
    present: int
    what: str


def latest(rounds: Iterable[Round]) -> Round | None:
    """The last decision about an episode."""
    return max(rounds, key=lambda each: (each.at, each.id), default=None)


def state_of(last: Round | None, changed: Sequence[Changed], lacks: Sequence[str]) -> str:
    """The state of an episode in the worklist."""
    if last and last.status == CONFIRMED:
        return "needs-review" if changed else "confirmed"
    if last and last.status == RETURNED and not last.answer:
        return "returned"
    if last and last.status == VOID:
        return "void"
    return "lacking" if lacks else "ready"


def version_of(seen: Iterable[Seen], rules: RuleSet, rounds: Iterable[Round]) -> str:
    """One word for all that a biller saw: it changes when any of it does."""
    parts = sorted(f"{each.reference}/{each.version}" for each in seen)
    parts += [rules.label, *sorted(f"Task/{each.id}/{each.version}" for each in rounds)]
    return sha256("\n".join(parts).encode()).hexdigest()[:32]


def require_seen(given: str, present: str) -> None:
    """Raises `Conflict` where what was seen is not what is there."""
    if given != present:
        message = "The episode, or a decision about it, has changed since it was looked at."
        raise Conflict(Issue("conflict", message, "version", given, "version-seen", "the version as it reads now"))


def require_state(state: str, allowed: Iterable[str], wish: str, more: str = "") -> None:
    """Raises `Conflict`, with the rule and the state, for what cannot be done in this state."""
    states = tuple(allowed)
    if state not in states:
        message = f"It cannot be {wish}: the episode is {state} ({STATES[state]}).{more}"
        expected = "one of the states " + ", ".join(states)
        raise Conflict(Issue("business-rule", message, "state", state, "state-of-billing", expected))


def require_choosable(chosen: Sequence[Chosen], lines: Lines, rules: RuleSet, included: str) -> list[Candidate]:
    """The candidate of each line that was chosen.

    Raises `Invalid` with everything about them that cannot be. A code that does not fit, or of which it cannot be
    told, may be chosen with the reason in words.
    """
    issues = [issue for n, one in enumerate(chosen) for issue in _faults(n, one, lines)]
    keys = [(one.system, one.code, one.modifiers, one.day) for one in chosen]
    issues += [
        Issue("duplicate", "The same line is there twice.", f"lines[{n}]", key[1], "line-once", "one line, with units")
        for n, key in enumerate(keys)
        if keys.index(key) != n
    ]
    if rules.lines.required and not chosen and not included:
        message = "These rules need a line, or the line of the other side that includes this one."
        issues.append(Issue("required", message, "lines", "", "line-required"))
    if chosen and included:
        message = "What is included in another line has none of its own."
        issues.append(Issue("value", message, "included_in", included, "line-or-included"))
    if issues:
        raise Invalid(*issues)
    return [_candidate(one, lines)[0] for one in chosen]


def _candidate(one: Chosen, lines: Lines) -> list[Candidate]:
    return [c for c in lines.candidates if c.code.key == (one.system, one.code) and one.day in (None, c.day)]


_SIDES = {"LT": "left", "RT": "right"}


def _modifier_faults(n: int, one: Chosen, side: str) -> Iterator[Issue]:
    """A modifier for the other side, one that is none, and one that no table here knows without a word on why."""
    where, known = f"lines[{n}].modifiers", hcpcs().modifiers
    sides = {_SIDES[each] for each in one.modifiers if each in _SIDES}
    if len(sides) == 1 and side in _SIDES.values() and side not in sides:
        message = f"The modifier is for the other side: the orthosis is of the {side} hand."
        yield Issue("value", message, where, ", ".join(one.modifiers), "modifier-of-side", side)
    for each in one.modifiers:
        if not _MODIFIER.fullmatch(each):
            message = "This is no modifier: one has two letters or digits."
            yield Issue("value", message, where, each, "modifier", "such as LT or RT")
        elif each not in known and not one.why.strip():
            message = "No table here knows this modifier; whoever uses it says why."
            yield Issue("required", message, where, each, "known-modifier", "a modifier of the table, or the reason")


_MODIFIER = re.compile("[A-Z0-9]{2}")


def _faults(n: int, one: Chosen, lines: Lines) -> Iterator[Issue]:
    found = _candidate(one, lines)
    if not found:
        message = "This code is not among the candidates for this episode and day."
        yield Issue("value", message, f"lines[{n}].code", one.code, "known-code", "a candidate of the episode")
        return
    if len(found) > 1:
        days = ", ".join(each.day.isoformat() for each in found)
        yield Issue("required", "Of which day it is has to be said.", f"lines[{n}].day", "", "day-of-line", days)
    if one.units < 1:
        yield Issue("value", "Units are counted from 1.", f"lines[{n}].units", str(one.units), "units", "1 or more")
    if found[0].units and one.units > found[0].units:
        message = "One orthosis is one unit, whatever number of digits it is for."
        yield Issue("value", message, f"lines[{n}].units", str(one.units), "units", str(found[0].units))
    yield from _modifier_faults(n, one, lines.side)
    if found[0].fit == NOT and not one.why.strip():
        message = "The code does not fit; whoever chooses it all the same says why."
        yield Issue("required", message, f"lines[{n}].why", "", "reason-of-choice", "the reason")
