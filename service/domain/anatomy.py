"""The hand: sides, digits, joints, zones of skin and the nerves that serve them, and the state each part is in.

A part has a key without side (`index-pip`); a site is a part of one side (`right-index-pip`), and that pre-coordinated
key is the code a resource carries. Verified SNOMED CT codings stand beside it only where side and granularity agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from service.domain.muscles import NERVES, muscles
from service.domain.terms import SNOMED, Coding, Term
from service.errors import Invalid, Issue

Side = Literal["left", "right"]
SIDES: tuple[Side, ...] = ("left", "right")
Laterality = Literal["left", "right", "both", ""]
"""Where something measured can be: on one side, in both hands together, or on no side (the person)."""
DIGITS = ("thumb", "index", "middle", "ring", "little")
FINGERS = DIGITS[1:]

_DIGIT_NAMES = {d: "thumb" if d == "thumb" else f"{d} finger" for d in DIGITS}
_JOINT_NAMES = {
    "cmc": "CMC joint",
    "mcp": "MCP joint",
    "ip": "IP joint",
    "pip": "PIP joint",
    "dip": "DIP joint",
}


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the upper limb without its side.

    `joint` is the joint's type (mcp, pip, …, wrist, forearm). `nerve` names the nerve that usually serves a zone of
    skin or a muscle: common practice, no source; individual anatomy varies. A `half-zone` is the radial or the ulnar
    half of the skin of a tip, a `segment` a stretch between joints. `person` is no part: it stands for what belongs
    to a person and to no side.
    """

    key: str
    name: str
    kind: Literal["joint", "digit", "zone", "half-zone", "segment", "region", "muscle", "nerve", "person"]
    digit: str = ""
    joint: str = ""
    nerve: str = ""
    sides: tuple[Laterality, ...] = SIDES


def _parts() -> Iterator[Part]:
    for digit in DIGITS:
        yield from _of_digit(digit, _DIGIT_NAMES[digit])
    yield Part("wrist", "wrist", "joint", joint="wrist")
    yield Part("forearm", "forearm", "joint", joint="forearm")
    yield Part("elbow", "elbow", "joint", joint="elbow")
    yield Part("shoulder", "shoulder", "joint", joint="shoulder")
    yield Part("hand", "hand", "region", sides=(*SIDES, "both"))
    yield Part("metacarpus", "hand around the metacarpals", "segment")
    yield Part("forearm-segment", "forearm between wrist and elbow", "segment")
    yield Part("upper-arm", "upper arm", "segment")
    yield Part("thenar", "skin over the thenar eminence", "zone", nerve="median")
    yield Part("hypothenar", "skin over the hypothenar eminence", "zone", nerve="ulnar")
    yield Part("palm", "skin of the central palm", "zone", nerve="median")
    yield Part("first-web", "dorsal skin of the first web space", "zone", nerve="radial")
    yield Part("ulnar-dorsum", "dorsal skin of the ulnar border of the hand", "zone", nerve="ulnar")
    for key, name, nerve in muscles():
        yield Part(key, name, "muscle", nerve=nerve)
    for key, name in NERVES.items():
        yield Part(key, name, "nerve")
    yield Part(PERSON, "person", "person", sides=("",))


def _of_digit(digit: str, name: str) -> Iterator[Part]:
    yield Part(digit, name, "digit", digit)
    for joint in ("cmc", "mcp", "ip") if digit == "thumb" else ("mcp", "pip", "dip"):
        yield Part(f"{digit}-{joint}", f"{_JOINT_NAMES[joint]} of the {name}", "joint", digit, joint)
    palmar = {"ring": "median and ulnar", "little": "ulnar"}.get(digit, "median")
    dorsal = {"ring": "radial and ulnar", "little": "ulnar"}.get(digit, "radial")
    yield Part(f"{digit}-tip", f"palmar skin of the tip of the {name}", "zone", digit, nerve=palmar)
    yield Part(f"{digit}-base", f"palmar skin of the base of the {name}", "zone", digit, nerve=palmar)
    yield Part(f"{digit}-dorsum", f"dorsal skin of the {name}", "zone", digit, nerve=dorsal)
    for border in ("radial", "ulnar"):
        nerve = border.replace("radial", "median") if digit == "ring" else palmar
        half = f"{border} half of the palmar skin of the tip of the {name}"
        yield Part(f"{digit}-tip-{border}", half, "half-zone", digit, nerve=nerve)
        yield Part(f"{digit}-{border}-digital-nerve", f"{border} digital nerve of the {name}", "nerve", digit)
    for bone in ("proximal", "distal") if digit == "thumb" else ("proximal", "middle", "distal"):
        yield Part(f"{digit}-{bone}-phalanx", f"{bone} phalanx of the {name}", "segment", digit)


PERSON = "person"
"""The key that stands for the person: what is measured there has no side and no place."""

PARTS: dict[str, Part] = {part.key: part for part in _parts()}

_SNOMED: dict[str, tuple[str, str]] = {
    "left-thumb": ("734143007", "Left thumb"),
    "left-index": ("770841009", "Left index finger"),
    "left-middle": ("770884005", "Left middle finger"),
    "left-ring": ("770882009", "Left ring finger"),
    "left-little": ("762101005", "Left little finger"),
    "right-thumb": ("734144001", "Right thumb"),
    "right-index": ("770842002", "Right index finger"),
    "right-middle": ("770885006", "Right middle finger"),
    "right-ring": ("770883004", "Right ring finger"),
    "right-little": ("762102003", "Right little finger"),
    "left-hand": ("85151006", "Left hand"),
    "right-hand": ("78791008", "Right hand"),
}
_BROADER: dict[str, tuple[str, str]] = {
    "wrist": ("74670003", "Wrist joint structure"),
    "forearm": ("14975008", "Forearm structure"),
    "index-mcp": ("289002", "Metacarpophalangeal joint of index finger"),
    "middle-mcp": ("6059006", "Metacarpophalangeal joint of middle finger"),
    "little-mcp": ("5493005", "Metacarpophalangeal joint of little finger"),
}


@dataclass(frozen=True, slots=True)
class Site:
    """A part of one side: `Site("right", "index-pip")`."""

    side: Laterality
    key: str

    @property
    def part(self) -> Part:
        """The part without its side."""
        return PARTS[self.key]

    @property
    def code(self) -> str:
        """The pre-coordinated code: `right-index-pip`."""
        return _code(self.side, self.key)

    @property
    def name(self) -> str:
        """In words: `right PIP joint of the index finger`."""
        return _in_words(self.side, self.part)

    @property
    def other(self) -> Site:
        """The same part of the other side; itself where it is on no one side."""
        opposite: dict[Laterality, Laterality] = {"left": "right", "right": "left"}
        return Site(opposite.get(self.side, self.side), self.key)

    def on(self, part: str) -> Site:
        """Another part of the same side."""
        return Site(self.side, part)

    @property
    def term(self) -> Term:
        """As a coded term."""
        return SITE_TERMS[self.code]


def _code(side: Laterality, key: str) -> str:
    return f"{side}-{key}" if side else key


def _in_words(side: Laterality, part: Part) -> str:
    return f"both {part.name}s" if side == "both" else f"{side} {part.name}".strip()


def _term(side: Laterality, part: Part) -> Term:
    code = _code(side, part.key)
    same = _SNOMED.get(code)
    of_digit = part.digit and part.kind in ("joint", "zone", "half-zone", "segment")
    broader = [_SNOMED[f"{side}-{part.digit}"]] if of_digit else []
    broader += [_BROADER[part.key]] if part.key in _BROADER else []
    return Term(
        code,
        _in_words(side, part),
        same=(Coding(SNOMED, *same),) if same else (),
        broader=tuple(Coding(SNOMED, *each) for each in broader),
        properties={"side": side, "part": part.key, **({"nerve": part.nerve} if part.nerve else {})},
    )


_LATERALITIES: tuple[Laterality, ...] = (*SIDES, "both", "")
SITE_TERMS: dict[str, Term] = {
    t.code: t for side in _LATERALITIES for part in PARTS.values() if side in part.sides for t in [_term(side, part)]
}


def site(side: str, key: str) -> Site:
    """The site with this side and part key; `Invalid` says which of the two is not known."""
    if side not in _LATERALITIES or (key != PERSON and side not in (*SIDES, "both")):
        raise Invalid(Issue("value", f"'{side}' is not a side.", "side", side, "known-side", "left or right"))
    if key not in PARTS:
        raise Invalid(Issue("value", f"'{key}' is not a part of the hand.", "site", key, "known-site", _near(key)))
    found = next((each for each in PARTS[key].sides if each == side), None)
    if found is None:
        expected = " or ".join(each or "no side" for each in PARTS[key].sides)
        message = f"The {PARTS[key].name} is not measured on this side."
        raise Invalid(Issue("value", message, "side", side, "side-of-part", expected))
    return Site(found, key)


def site_of_code(code: str) -> Site:
    """The site a pre-coordinated code names (`right-index-pip`)."""
    if code == PERSON:
        return Site("", PERSON)
    side, _, key = code.partition("-")
    return site(side, key)


def _near(key: str) -> str:
    digit = key.split("-", maxsplit=1)[0]
    same = [p for p in PARTS if digit and p.startswith(digit)]
    return "one of " + ", ".join(same or list(PARTS))


State = Literal["present", "absent", "fused", "replaced", "replanted", "congenital-difference"]
STATES: dict[str, str] = {
    "present": "present",
    "absent": "absent at a level",
    "fused": "fused at an angle",
    "replaced": "joint replaced",
    "replanted": "replanted",
    "congenital-difference": "congenital difference",
}

_FINGER_LEVELS = (
    "distal-phalanx", "dip", "middle-phalanx", "pip", "proximal-phalanx", "mcp", "metacarpal",
)  # fmt: skip
_THUMB_LEVELS = ("distal-phalanx", "ip", "proximal-phalanx", "mcp", "metacarpal", "cmc")
LEVELS = tuple(dict.fromkeys(_FINGER_LEVELS + _THUMB_LEVELS))


@dataclass(frozen=True, slots=True)
class PartState:
    """What state a part is in, from a day on.

    `level` goes with `absent`: where the digit now ends (`distal-phalanx` is a loss through that bone, `dip` a loss
    through the joint). `angle` goes with `fused`: degrees of flexion at which the joint stands.
    """

    site: Site
    state: State
    since: date
    level: str = ""
    angle: Decimal | None = None


def lacking(states: Iterable[PartState], site: Site, day: date) -> PartState | None:
    """The state that makes a measurement of `site` impossible on `day`, or None.

    A joint at or beyond the level of a loss, and skin at the end of a shortened digit, are absent; a fused joint
    does not move. The latest state of each part counts.
    """
    current = {s.site: s for s in sorted((s for s in states if s.since <= day), key=lambda s: s.since)}
    own = current.get(site)
    if own and own.state == "fused":
        return own
    whole = current.get(site.on(site.part.digit)) if site.part.digit else None
    if whole and whole.state == "absent" and _is_beyond(site.part, whole.level):
        return whole
    return own if own and own.state == "absent" else None


def _is_beyond(part: Part, level: str) -> bool:
    levels = _THUMB_LEVELS if part.digit == "thumb" else _FINGER_LEVELS
    lost = set(levels[: levels.index(level) + 1])
    if part.kind == "joint":
        return part.joint in lost
    rest = part.key.removeprefix(f"{part.digit}-")
    ends = {"base": "proximal-phalanx", "dorsum": "proximal-phalanx"}
    if rest.startswith("tip"):
        return "distal-phalanx" in lost
    return (rest if part.kind == "segment" else ends.get(rest, "metacarpal")) in lost
