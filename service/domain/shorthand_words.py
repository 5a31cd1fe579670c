"""The words of shorthand, each with the one thing it says.

Most follow from the declarations: every motion, every answer to a field. The trade's short forms are added by hand.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.domain.anatomy import DIGITS, PARTS
from service.domain.arcs import ARCS, CONVENTIONS, directions
from service.domain.kinds import KINDS
from service.domain.kinds.grip_strength import HANDLE

Phrases = dict[tuple[str, ...], tuple[str, str]]
"""What a run of words says: (the thing it speaks of, what it says of it)."""

SHORT = {"extension": "ext", "flexion": "flex", "deviation": "dev"}
KIND_WORDS = {"grip": "grip-strength", "touch": "touch-threshold"}
UNIT_WORDS = {"kgf": "kgf", "lbf": "[lbf_av]", "n": "N", "deg": "deg"}
RULE_WORDS = {"mean": "mean-of-trials", "best": "best-of-trials"}
MISTAKEN: Mapping[str, str] = {
    "kg": "kgf: a dial marked kg shows a force",
    "lb": "lbf: a dial marked lb shows a force",
    "lbs": "lbf: a dial marked lb shows a force",
}
"""Words that are often written, and what to write instead."""

_SIDES = {"r": "right", "right": "right", "l": "left", "left": "left", "both": "both"}
_MODES = {
    "arom": "active", "active": "active", "prom": "passive", "passive": "passive",
    "aarom": "assisted", "assisted": "assisted",
}  # fmt: skip
_TOGETHER = {"together": "together", "alone": "alone", "blocked": "blocked"}
_STATES = {"free": "free", "in orthosis": "in-orthosis", "out of orthosis": "out-of-orthosis"}
_TREATMENT = {"before treatment": "before", "after treatment": "after"}
_JOINTS = {"mcp": "mcp", "mp": "mcp", "pip": "pip", "dip": "dip", "ip": "ip", "cmc": "cmc"}


def phrases() -> Phrases:
    """Every phrase of the grammar, in lower case. A phrase that says two things is a mistake in a declaration."""
    found: Phrases = {}
    for slot, words in _said():
        for text, answer in words.items():
            for form in (text, text.replace(" ", "-")):
                meaning = found.setdefault(tuple(form.split()), (slot, answer))
                if meaning != (slot, answer):
                    raise ValueError(f"'{form}' says both {meaning} and {(slot, answer)}")
    return found


def _said() -> Iterator[tuple[str, Mapping[str, str]]]:
    digit_parts = dict.fromkeys(key.removeprefix(f"{p.digit}-") for key, p in PARTS.items() if p.digit and not p.joint)
    yield "kind", {**KIND_WORDS, **{name: name for name in KINDS}}
    yield "side", _SIDES
    yield "digit", {d: d for d in DIGITS} | {f"d{n}": d for n, d in enumerate(DIGITS, 1)}
    yield "part", _JOINTS | {key.replace("-", " "): key for key in digit_parts if key not in DIGITS}
    yield "part", {key.replace("-", " "): key for key, part in PARTS.items() if not part.digit}
    yield "motion", motion_words()
    yield "mode", _MODES
    yield "together", _TOGETHER
    yield "orthosis_state", _STATES
    yield "treatment", _TREATMENT
    yield "convention", {code: code for code in CONVENTIONS}
    yield "unit", UNIT_WORDS
    yield "summary_rule", RULE_WORDS
    yield "handle_position", {f"handle {code}": code for code in HANDLE.choices}
    yield "value", {"not felt": "not-felt"}


def motion_words() -> dict[str, str]:
    """Each way of naming a motion or an order of two motions, and its name: `ext/flex` is `extension-flexion`."""
    found: dict[str, str] = {}
    for joint, arcs in ARCS.items():
        names = dict.fromkeys(n for d in directions(joint) for n in (d.name, *d.ends))
        for name in names:
            found |= dict.fromkeys(_forms(name), name)
        for arc in arcs:
            for order, (first, second) in arc.orders.items():
                forms = [f"{a}/{b}" for a in _forms(first.name) for b in _forms(second.name) if " " not in a + b]
                found |= dict.fromkeys([order, *forms], order)
    return found


def _forms(name: str) -> list[str]:
    short = name
    for long, brief in SHORT.items():
        short = short.replace(long, brief)
    return list(dict.fromkeys(form for each in (name, short) for form in (each, each.replace("-", " "))))


PHRASES = phrases()


def _written() -> dict[tuple[str, str], str]:
    found: dict[tuple[str, str], list[str]] = {}
    for phrase, meaning in PHRASES.items():
        found.setdefault(meaning, []).append(" ".join(phrase))
    return {meaning: _plainest(meaning, texts) for meaning, texts in found.items()}


def _plainest(meaning: tuple[str, str], texts: list[str]) -> str:
    slot, answer = meaning
    if slot in ("motion", "side"):
        return min((text for text in texts if " " not in text), key=len)
    return next((text for text in (answer, answer.replace("-", " ")) if text in texts), texts[0])


WRITTEN = _written()
"""The phrase that each meaning is written back with."""
