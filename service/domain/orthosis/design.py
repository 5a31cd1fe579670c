"""What an orthosis is: the region it spans, the joints it holds, blocks and leaves free, what it is for and made of.

Casts, tape and foam aids are orthoses too. Angles are degrees from neutral in a named direction, never signed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal

from service.domain.anatomy import DIGITS, PARTS, Side
from service.errors import Invalid, Issue

FORMS: dict[str, str] = {"orthosis": "orthosis", "cast": "cast", "tape": "tape", "foam": "foam aid"}
REGIONS: dict[str, str] = {
    "finger": "finger",
    "thumb": "thumb",
    "hand-finger": "hand and fingers",
    "hand": "hand",
    "wrist": "wrist",
    "wrist-hand": "wrist and hand",
    "wrist-hand-finger": "wrist, hand and fingers",
    "forearm": "forearm",
    "elbow": "elbow",
    "elbow-wrist-hand": "elbow, wrist and hand",
    "elbow-wrist-hand-finger": "elbow, wrist, hand and fingers",
    "upper-arm": "upper arm",
    "unknown": "not recorded",
}
PURPOSES: dict[str, str] = {
    "immobilise": "immobilise",
    "mobilise": "mobilise",
    "restrict": "restrict motion",
    "transmit-torque": "transmit torque",
    "unknown": "not recorded",
}
MECHANISMS: dict[str, str] = {
    "static": "static",
    "serial-static": "serial static",
    "static-progressive": "static progressive",
    "dynamic": "dynamic",
    "relative-motion": "relative motion",
    "unknown": "not recorded",
}
FABRICATION: dict[str, str] = {
    "custom": "custom fabricated",
    "prefabricated-fitted": "prefabricated and fitted to the person",
    "off-the-shelf": "off the shelf",
    "unknown": "not recorded",
}
REMOVABLE: dict[str, str] = {
    "yes": "the patient can take it off",
    "loosen-only": "the patient can loosen straps only",
    "no": "only the clinic can take it off",
    "unknown": "not recorded",
}
MOTIONS: dict[str, str] = {
    "flexion": "flexion",
    "extension": "extension",
    "abduction": "abduction",
    "adduction": "adduction",
    "palmar-abduction": "palmar abduction",
    "radial-abduction": "radial abduction",
    "radial-deviation": "radial deviation",
    "ulnar-deviation": "ulnar deviation",
    "pronation": "pronation",
    "supination": "supination",
}
_OPPOSITES = (
    ("flexion", "extension"),
    ("abduction", "adduction"),
    ("radial-deviation", "ulnar-deviation"),
    ("pronation", "supination"),
)
MOST_DEGREES = 180


@dataclass(frozen=True, slots=True)
class Held:
    """One joint held, in one direction from neutral; `angle` in degrees, None where it was not recorded.

    `primary` tells the joints the orthosis is meant for from those it spans to reach them.
    """

    joint: str
    motion: str = "flexion"
    angle: Decimal | None = None
    primary: bool = True


@dataclass(frozen=True, slots=True)
class Blocked:
    """One joint that may move, but not in this direction beyond `beyond` degrees (None: beyond neutral)."""

    joint: str
    motion: str
    beyond: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Component:
    """A part that comes off, as an added block; `share` is the percentage of wearing time it is on, if prescribed."""

    name: str
    share: Decimal | None = None
    id: str = ""


@dataclass(frozen=True, slots=True)
class EndRange:
    """That the orthosis holds a joint at the end of its available range in one direction, and why that is assumed."""

    motion: str
    assumption: str


@dataclass(frozen=True, slots=True)
class Design:
    """The facets of one orthosis. What was not recorded is `unknown`.

    `direction` is the motion the orthosis works towards, whatever the set angles are; empty: not recorded. `modified`
    says what was changed on a prefabricated one, and `modified_by` by whom. `over` is the key of the episode whose
    orthosis this one is worn over. `free` are joints left free on purpose.
    """

    side: Side
    form: str = "orthosis"
    region: str = "unknown"
    digits: tuple[str, ...] = ()
    holds: tuple[Held, ...] = ()
    blocks: tuple[Blocked, ...] = ()
    free: tuple[str, ...] = ()
    direction: str = ""
    purpose: str = "unknown"
    articular: bool = True
    mechanism: str = "unknown"
    material: str = ""
    padding: str = ""
    fabrication: str = "unknown"
    modified: str = ""
    modified_by: str = ""
    removable: str = "unknown"
    components: tuple[Component, ...] = ()
    end_range: EndRange | None = None
    over: str = ""

    @property
    def joints(self) -> frozenset[str]:
        """The joints held, as part keys."""
        return frozenset(held.joint for held in self.holds)

    @property
    def comes_off(self) -> bool:
        """Whether the patient is known to be able to take it off."""
        return self.removable == "yes"

    @property
    def stays_on(self) -> bool:
        """Whether it is known that the patient cannot take it off."""
        return self.removable in ("no", "loosen-only")


def require_sound(design: Design) -> None:
    """Raises `Invalid` with everything about a design that cannot be."""
    issues = [*_answers(design), *_joints(design), *_contradictions(design), *_numbers(design)]
    if issues:
        raise Invalid(*issues)


def choice(where: str, given: str, allowed: Iterable[str]) -> list[Issue]:
    """The issue of an answer that is not among those allowed, or none."""
    known = tuple(allowed)
    if given in known:
        return []
    message = f"'{given}' is not an answer that '{where.rpartition('.')[2]}' has."
    return [Issue("value", message, where, given, "known-answer", "one of " + ", ".join(known))]


def _answers(design: Design) -> Iterator[Issue]:
    lists: Mapping[str, Mapping[str, str]] = {
        "form": FORMS,
        "region": REGIONS,
        "purpose": PURPOSES,
        "mechanism": MECHANISMS,
        "fabrication": FABRICATION,
        "removable": REMOVABLE,
    }
    for name, allowed in lists.items():
        yield from choice(name, getattr(design, name), allowed)
    for digit in design.digits:
        yield from choice("digits", digit, DIGITS)
    motions = [(f"holds.{h.joint}", h.motion) for h in design.holds]
    motions += [(f"blocks.{b.joint}", b.motion) for b in design.blocks]
    motions += [("direction", design.direction)] if design.direction else []
    motions += [("end_range", design.end_range.motion)] if design.end_range else []
    for where, motion in motions:
        yield from choice(where, motion, MOTIONS)


def _joints(design: Design) -> Iterator[Issue]:
    named = [(f"holds.{h.joint}", h.joint) for h in design.holds]
    named += [(f"blocks.{b.joint}", b.joint) for b in design.blocks]
    named += [("free", joint) for joint in design.free]
    for where, joint in named:
        if joint not in PARTS or PARTS[joint].kind != "joint":
            yield Issue("value", f"'{joint}' is not a joint.", where, joint, "joint-held", "a joint such as ring-pip")
        elif design.digits and PARTS[joint].digit and PARTS[joint].digit not in design.digits:
            message = f"The {PARTS[joint].name} is not on a digit of this orthosis."
            yield Issue("value", message, where, joint, "digit-of-design", "a joint of " + ", ".join(design.digits))


def _contradictions(design: Design) -> Iterator[Issue]:
    if not design.articular and design.holds:
        message = "An orthosis that crosses no joint holds none."
        yield Issue("value", message, "articular", "false", "non-articular", "no joints held, or articular")
    for joint in design.joints & set(design.free):
        message = f"The {PARTS[joint].name if joint in PARTS else joint} cannot be both held and left free."
        yield Issue("value", message, "free", joint, "held-or-free", "one of the two")
    held = {(h.joint, h.motion): h.angle for h in design.holds}
    if len(held) < len(design.holds):
        yield Issue("value", "A joint is held twice in one direction.", "holds", "", "held-once", "each direction once")
    yield from _opposed(design.joints, held)
    if design.modified_by and not design.modified:
        message = "Somebody is named who modified it, but not what was modified."
        yield Issue("required", message, "modified", "", "what-was-modified")
    if design.end_range and not design.end_range.assumption.strip():
        message = "Holding the end of the range is an assumption, and needs to be stated as one."
        yield Issue("required", message, "end_range.assumption", "", "stated-assumption", "how the end was found")


def _opposed(joints: Iterable[str], held: Mapping[tuple[str, str], Decimal | None]) -> Iterator[Issue]:
    for joint in joints:
        for one, other in _OPPOSITES:
            if (held.get((joint, one)) or 0) > 0 and (held.get((joint, other)) or 0) > 0:
                message = f"'{joint}' cannot be held in {MOTIONS[one]} and in {MOTIONS[other]} at once."
                yield Issue("value", message, f"holds.{joint}", "", "one-direction", "one of the two is 0")


def _numbers(design: Design) -> Iterator[Issue]:
    angles = [(f"holds.{h.joint}", h.angle) for h in design.holds] + [
        (f"blocks.{b.joint}", b.beyond) for b in design.blocks
    ]
    for where, angle in angles:
        if angle is not None and not 0 <= angle <= MOST_DEGREES:
            message = "A joint is held at 0 to 180 degrees in a named direction."
            yield Issue("value", message, where, str(angle), "named-direction", "0 to 180, with the direction named")
    names = [component.name for component in design.components]
    if len(set(names)) < len(names):
        yield Issue("value", "Two components have the same name.", "components", "", "component-name", "one name each")
    for component in design.components:
        if component.share is not None and not 0 <= component.share <= 100:
            message = "The share of wearing time is a percentage."
            yield Issue("value", message, f"components.{component.name}", str(component.share), "share", "0 to 100")
