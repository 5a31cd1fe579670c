"""Labels derived from the design: the descriptive name, and the posture in words.

The name follows the logic of the published classification of splints by Fess and others: location, direction, purpose;
then the type, which counts the *levels* of joints held only to reach the primary ones, and in brackets the number of
joints held in all. An orthosis that crosses no joint is named by the segment. The order was seen in print; the rule of
type and bracket, and the words of purposes, are from memory. The classification's own words are kept: MP, small finger.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import DIGITS, PARTS
from service.domain.orthosis.design import MOTIONS, REGIONS, Design, Held

_PURPOSE = {
    "immobilise": "immobilization",
    "mobilise": "mobilization",
    "restrict": "restriction",
    "transmit-torque": "torque transmission",
}
_DIGIT = {"thumb": "thumb", "index": "index", "middle": "middle", "ring": "ring", "little": "small"}
_ORDER = ("elbow", "forearm", "wrist", "cmc", "mcp", "ip", "pip", "dip")
_LEVEL = {"cmc": "CMC", "mcp": "MP", "ip": "IP", "pip": "PIP", "dip": "DIP"}


def descriptive_name(design: Design) -> str:
    """The name by the classification's logic; where facets are not recorded, as far as it can be told."""
    purpose = _PURPOSE.get(design.purpose, "")
    if not design.articular:
        return _sentence(f"{_digits(design.digits) or REGIONS[design.region]}, non-articular orthosis")
    primary = [held for held in design.holds if held.primary] or list(design.holds)
    acted_on = [held.joint for held in primary] or [blocked.joint for blocked in design.blocks]
    if not acted_on:
        return _sentence(f"{_digits(design.digits) or REGIONS[design.region]} {purpose} orthosis".replace("  ", " "))
    words = [_location(acted_on), design_direction(design), purpose, "orthosis"]
    name = " ".join(word for word in words if word)
    if design.purpose == "unknown":
        return _sentence(name)
    levels = {_joint(joint) for joint in design.joints - set(acted_on)}
    return _sentence(f"{name}, type {len(levels)} [{len(design.joints | set(acted_on))}]")


def design_direction(design: Design) -> str:
    """The direction of treatment in words; empty where it is not recorded, or joints differ in it.

    What mobilises works towards a motion, which the set angle does not tell: a cast that gains extension holds its
    joint in flexion. Only an orthosis that immobilises is named by how it holds, one that restricts by what it blocks.
    """
    if design.direction:
        return MOTIONS[design.direction]
    motions: set[str] = set()
    if design.purpose == "restrict":
        motions = {blocked.motion for blocked in design.blocks}
    elif design.purpose == "immobilise":
        motions = {_held_in(held) for held in design.holds if held.primary}
    elif design.purpose == "mobilise" and design.end_range:
        motions = {design.end_range.motion}
    return MOTIONS.get(motions.pop(), "") if len(motions) == 1 else ""


def _held_in(held: Held) -> str:
    """A joint at 0 degrees of flexion is held in extension."""
    if held.angle is None:
        return ""
    return "extension" if held.motion == "flexion" and held.angle == 0 else held.motion


def _joint(key: str) -> str:
    return PARTS[key].joint


def _location(joints: Sequence[str]) -> str:
    """Digits and joint levels, from proximal to distal: `index-small finger MP`, `wrist`."""
    levels = sorted({_joint(key) for key in joints}, key=_ORDER.index)
    digits = _digits(tuple(dict.fromkeys(PARTS[key].digit for key in joints if PARTS[key].digit)))
    whole = [level for level in levels if level not in _LEVEL]
    of_digits = [_LEVEL[level] for level in levels if level in _LEVEL]
    tail = f"{digits} {', '.join(of_digits)}" if of_digits else ""
    return ", ".join(part for part in (*whole, tail) if part)


def _digits(digits: Sequence[str]) -> str:
    ordered = sorted(digits, key=DIGITS.index)
    fingers = [digit for digit in ordered if digit != "thumb"]
    named = ["thumb"] if "thumb" in ordered else []
    places = [DIGITS.index(digit) for digit in fingers]
    if len(fingers) > 1 and places == list(range(places[0], places[-1] + 1)):
        named.append(f"{_DIGIT[fingers[0]]}-{_DIGIT[fingers[-1]]} finger")
    elif fingers:
        named.append(f"{', '.join(_DIGIT[digit] for digit in fingers)} finger")
    return ", ".join(named)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


FLEXED_MP = Decimal(60)
STRAIGHT = Decimal(15)
BENT_IP = Decimal(30)
"""From how many degrees on a posture gets its name: our own proposal, no source."""


def posture(design: Design) -> str:
    """The posture of the fingers in words, from the angles; empty where the angles make none, or are not known.

    Intrinsic-plus: MP joints well flexed, PIP and DIP joints nearly straight. Intrinsic-minus: MP joints straight or
    beyond, PIP joints bent. A joint left free makes no posture.
    """
    levels = {level: _angles(design, level) for level in ("mcp", "pip", "dip")}
    mp, pip, dip = levels["mcp"], levels["pip"], levels["dip"]
    if not mp or not pip:
        return ""
    straight = all(angle <= STRAIGHT for angle in (*pip, *dip))
    if all(angle >= FLEXED_MP for angle in mp) and straight:
        return "intrinsic-plus"
    if all(angle <= STRAIGHT for angle in mp) and all(angle >= BENT_IP for angle in pip):
        return "intrinsic-minus"
    if all(angle <= STRAIGHT for angle in mp) and straight:
        return "fingers straight"
    return ""


def _angles(design: Design, level: str) -> list[Decimal]:
    """Flexion of every finger joint of a level; below 0 in extension beyond neutral; empty if one is not known."""
    held = [h for h in design.holds if _joint(h.joint) == level and PARTS[h.joint].digit != "thumb"]
    if any(h.angle is None or h.motion not in ("flexion", "extension") for h in held):
        return []
    return [(h.angle or Decimal(0)) * (-1 if h.motion == "extension" else 1) for h in held]


def position_in_words(design: Design) -> str:
    """What is held at what angle and what is left free, in words."""
    held = [f"{PARTS[h.joint].name} {_angle(h)}" for h in design.holds]
    blocked = [f"{PARTS[b.joint].name} blocked against {_beyond(b.motion, b.beyond)}" for b in design.blocks]
    free = [f"{PARTS[joint].name} free" for joint in design.free]
    return ", ".join((*held, *blocked, *free))


def _angle(held: Held) -> str:
    if held.angle is None:
        return "held (angle not recorded)"
    return f"at {held.angle}° {MOTIONS[held.motion]}"


def _beyond(motion: str, degrees: Decimal | None) -> str:
    return MOTIONS[motion] if degrees is None else f"{MOTIONS[motion]} beyond {degrees}°"
