"""Arcs of motion: two opposite directions of a joint, the named ends where motion stops, and the notations for them.

Published practice uses + and − for both hyperextension and extension deficit, with no agreement (Mulder & Wittmeier,
Physiother Can 2009;61:266, PMC2793704). So an end is a named amount of at least 0, and a signed number is read only
under a convention that says what its sign means. Inside the domain, and never outside it without its name, an end is
a *position*: degrees beyond the neutral position in a direction, negative when neutral is not reached.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache

from service.domain.terms import Term, terms
from service.errors import Invalid, Issue


@dataclass(frozen=True, slots=True)
class Direction:
    """A direction of motion and the names of its end: beyond neutral, or short of it.

    `full` is the name used when motion ends exactly at neutral (a finger's full extension is a deficit of 0).
    `deficit` is empty where motion in this direction is not measured against neutral.
    """

    name: str
    beyond: str
    deficit: str = ""
    full: str = ""

    def end(self, position: Decimal) -> tuple[str, Decimal]:
        """The named end at `position` and its amount, at least 0."""
        if position == 0:
            return (self.full or self.beyond), abs(position)
        if position > 0:
            return self.beyond, position
        if not self.deficit:
            raise Invalid(
                Issue(
                    "value",
                    f"{self.name} has no amount below zero.",
                    "value",
                    str(position),
                    "no-deficit",
                    "0 or more",
                )
            )
        return self.deficit, -position

    def position(self, end: str, amount: Decimal) -> Decimal:
        """The signed position of a named end; the inverse of `end`."""
        return -amount if end == self.deficit else amount

    @property
    def ends(self) -> tuple[str, ...]:
        """The names an end of this direction can have."""
        return (self.beyond, self.deficit) if self.deficit else (self.beyond,)


@dataclass(frozen=True, slots=True)
class Arc:
    """Two opposite directions of one joint. `orders` are the names of the two ways of writing it down."""

    first: Direction
    second: Direction

    @property
    def name(self) -> str:
        """The arc, first direction first: `flexion-extension`."""
        return f"{self.first.name}-{self.second.name}"

    @property
    def orders(self) -> dict[str, tuple[Direction, Direction]]:
        """Both orders of the directions, by name."""
        return {
            self.name: (self.first, self.second),
            f"{self.second.name}-{self.first.name}": (self.second, self.first),
        }


FLEXION = Direction("flexion", "flexion", "flexion-deficit")
FINGER_EXTENSION = Direction("extension", "hyperextension", "extension-deficit", full="extension-deficit")
EXTENSION = Direction("extension", "extension", "extension-deficit")
RADIAL = Direction("radial-deviation", "radial-deviation", "radial-deviation-deficit")
ULNAR = Direction("ulnar-deviation", "ulnar-deviation", "ulnar-deviation-deficit")
PRONATION = Direction("pronation", "pronation", "pronation-deficit")
SUPINATION = Direction("supination", "supination", "supination-deficit")
PALMAR_ABDUCTION = Direction("palmar-abduction", "palmar-abduction")
RADIAL_ABDUCTION = Direction("radial-abduction", "radial-abduction")
OPPOSITION = Direction("opposition", "opposition")

ABDUCTION = Direction("abduction", "abduction")
ADDUCTION = Direction("adduction", "adduction")


def _rotations(position: str) -> tuple[Direction, Direction]:
    names = (f"external-rotation-{position}", f"internal-rotation-{position}")
    out, in_ = (Direction(name, name, f"{name}-deficit") for name in names)
    return out, in_


FINGER_ARC = Arc(FLEXION, FINGER_EXTENSION)
WRIST_ARC = Arc(FLEXION, EXTENSION)
DEVIATION_ARC = Arc(RADIAL, ULNAR)
ROTATION_ARC = Arc(PRONATION, SUPINATION)

ARCS: dict[str, tuple[Arc, ...]] = {
    "mcp": (FINGER_ARC,),
    "pip": (FINGER_ARC,),
    "dip": (FINGER_ARC,),
    "ip": (FINGER_ARC,),
    "cmc": (),
    "wrist": (WRIST_ARC, DEVIATION_ARC),
    "forearm": (ROTATION_ARC,),
    "elbow": (FINGER_ARC,),
    "shoulder": (
        WRIST_ARC,
        Arc(ABDUCTION, ADDUCTION),
        Arc(*_rotations("at-side")),
        Arc(*_rotations("in-abduction")),
    ),
}
LONE: dict[str, tuple[Direction, ...]] = {"cmc": (PALMAR_ABDUCTION, RADIAL_ABDUCTION, OPPOSITION)}
"""Directions measured without an opposite one, by type of joint."""


@cache
def directions(joint: str) -> tuple[Direction, ...]:
    """Every direction a joint of this type moves in."""
    return tuple(d for arc in ARCS[joint] for d in (arc.first, arc.second)) + LONE.get(joint, ())


@cache
def direction_of(joint: str, end: str) -> Direction | None:
    """The direction of which `end` is an end at this type of joint, or None where it has no such motion."""
    return next((d for d in directions(joint) if end in d.ends), None)


CONVENTIONS: dict[str, Term] = terms(
    Term("named", "every number is 0 or more and its motion names what it is (flexion, extension-deficit, …)"),
    Term("neutral-zero", "three numbers, the zero in the middle when the arc crosses neutral, else first or last"),
    Term("minus-is-deficit", "a minus in the direction of extension means that neutral is not reached"),
    Term("minus-is-hyperextension", "a minus in the direction of extension means beyond neutral"),
)

_NUMBER = r"[+−-]?\d+(?:[.,]\d+)?"
_TWO = re.compile(rf"\s*({_NUMBER})(?:\s*(?:/|to|;)\s*|\s+)({_NUMBER})\s*")
_THREE = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*[-–/]\s*(\d+(?:[.,]\d+)?)\s*[-–/]\s*(\d+(?:[.,]\d+)?)\s*")


def number(text: str) -> Decimal:
    """A decimal number as people write it: comma or point, and any of the minus signs."""
    cleaned = text.strip().replace("−", "-").replace(",", ".")
    if not re.fullmatch(r"[+-]?\d{1,9}(\.\d{1,9})?", cleaned):
        raise Invalid(
            Issue("value", f"'{text}' is not a number.", "value", text, "number", "digits such as 35 or 35.5")
        )
    return Decimal(cleaned)


def read_arc(text: str, order: tuple[Direction, Direction], convention: str) -> tuple[Decimal, Decimal]:
    """The positions in both directions that `text` states, in the order given.

    Raises `Invalid` for text that does not follow the convention, and for an arc whose one end lies short of the
    other (flexion smaller than the extension deficit).
    """
    if convention == "neutral-zero":
        positions = _neutral_zero(text)
    elif convention in ("minus-is-deficit", "minus-is-hyperextension"):
        positions = _two_signed(text, order, convention)
    else:
        raise Invalid(
            Issue(
                "value",
                "Two numbers of one arc need a convention that says what a sign means.",
                "convention",
                convention,
                "arc-convention",
                "neutral-zero, minus-is-deficit or minus-is-hyperextension",
            )
        )
    _require_possible(text, order, positions)
    return positions


def _neutral_zero(text: str) -> tuple[Decimal, Decimal]:
    match = _THREE.fullmatch(text)
    if not match:
        raise Invalid(
            Issue(
                "value",
                "Neutral-zero text is three numbers.",
                "value",
                text,
                "neutral-zero",
                "text such as 0-20-90",
            )
        )
    a, b, c = (number(group) for group in match.groups())
    if b == 0:
        return a, c
    if a == 0:
        return -b, c
    if c == 0:
        return a, -b
    raise Invalid(
        Issue(
            "value",
            "One of the three numbers must be 0.",
            "value",
            text,
            "neutral-zero",
            "10-0-90, 0-20-90 or 90-20-0",
        )
    )


def _two_signed(text: str, order: tuple[Direction, Direction], convention: str) -> tuple[Decimal, Decimal]:
    match = _TWO.fullmatch(text)
    if not match:
        raise Invalid(Issue("value", "An arc is two numbers.", "value", text, "arc", "text such as -20/90"))
    first, second = (signed(d, number(g), convention) for d, g in zip(order, match.groups(), strict=True))
    return first, second


def signed(direction: Direction, value: Decimal, convention: str) -> Decimal:
    """The position that a signed number states in a direction, under a convention."""
    if convention == "named":
        if value < 0:
            raise Invalid(
                Issue(
                    "value",
                    "A signed number needs a convention that says what its sign means.",
                    "value",
                    str(value),
                    "bare-sign",
                    "a named end such as extension-deficit with 0 or more, or a convention",
                )
            )
        return value
    if convention == "neutral-zero":
        message = "Neutral-zero text states an arc, not one number."
        expected = "the motion of an arc with three numbers, or another convention"
        raise Invalid(Issue("value", message, "convention", convention, "neutral-zero", expected))
    if convention == "minus-is-hyperextension" and "extension" in direction.name:
        if direction.beyond != "hyperextension":
            raise Invalid(
                Issue(
                    "value",
                    f"This joint has no hyperextension, so a minus cannot mean it ({direction.name}).",
                    "convention",
                    convention,
                    "arc-convention",
                    "minus-is-deficit, neutral-zero or named",
                )
            )
        return -value
    return value


def _require_possible(text: str, order: tuple[Direction, Direction], positions: tuple[Decimal, Decimal]) -> None:
    if sum(positions) < 0:
        raise Invalid(
            Issue(
                "value",
                f"The arc ends before it begins: {order[0].name} and {order[1].name} do not overlap.",
                "value",
                text,
                "empty-arc",
                "a flexion at least as large as the extension deficit",
            )
        )
