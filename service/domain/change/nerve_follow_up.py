"""A nerve after its repair: how fast its sign advances, which zones lack protective sensation, which got better.

A repair is found by the nerve's name in the words of an operation, on its side: words that name none are no repair of
it. Which nerve serves which zone is common practice, without a source; individual anatomy varies. No rate and no
number of zones is called good or bad: none is published for that here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

from service.domain.anatomy import PARTS, SIDES, PartState, Site, lacking
from service.domain.change.comparable import Trajectory
from service.domain.change.touch_zones import SharedZones, Zones, steps_of, zones_of
from service.domain.change.trend import Interval, Trend, trend_of
from service.domain.course import Operation
from service.domain.kinds.advancing_nerve_sign import KIND as SIGN
from service.domain.measurement import Measurement
from service.domain.metric import Missing
from service.domain.muscles import NERVES
from service.domain.units import convert, rounded

_SUPERFICIAL = re.compile(r"\bsuperficial (?:branch of the )?radial nerve")
_TRUNKS = "(?:median|ulnar|radial)"


@dataclass(frozen=True, slots=True)
class Repair:
    """The repair of a nerve, and how long ago it was; `level` in the surgeon's words, empty where not recorded."""

    what: str
    on: date
    level: str
    days: int


@dataclass(frozen=True, slots=True)
class SignRate:
    """How the advancing sign runs from one landmark: millimetres a day, with the interval that verdicts rest on."""

    landmark: str
    trajectory: Trajectory
    trend: Trend
    rate: Decimal | Missing
    interval: Interval | Missing
    words: str


@dataclass(frozen=True, slots=True)
class NerveFollowUp:
    """One nerve from its repair on; without one on record, from its first reading."""

    nerve: Site
    repair: Repair | Missing
    signs: tuple[SignRate, ...]
    zones: Zones | Missing
    steps: SharedZones | Missing
    notes: tuple[str, ...] = ()


def follow_ups(
    trajectories: Iterable[Trajectory],
    measurements: Sequence[Measurement],
    operations: Sequence[Operation],
    today: date,
    states: Sequence[PartState] = (),
) -> tuple[NerveFollowUp, ...]:
    """Every nerve that was repaired, or whose sign was looked for, in the order of the parts."""
    lines = [each for each in trajectories if each.key[0] == SIGN.name]
    told = {each.site for each in lines}
    present = [m for m in measurements if lacking(states, m.site, m.circumstances.taken.date()) is None]
    nerves = [Site(side, key) for side in SIDES for key, part in PARTS.items() if part.kind == "nerve"]
    found = ((nerve, repair_of(nerve, operations, today)) for nerve in nerves)
    return tuple(
        _follow_up(nerve, repair, [line for line in lines if line.site == nerve], present)
        for nerve, repair in found
        if nerve in told or isinstance(repair, Repair)
    )


def repair_of(nerve: Site, operations: Iterable[Operation], today: date) -> Repair | Missing:
    """The last repair of a nerve up to a day."""
    own = [o for o in operations if o.side == nerve.side and o.on <= today and names(nerve, o)]
    last = max(own, key=lambda o: o.on, default=None)
    if last is None:
        return Missing("no-repair", f"No operation on record names the {nerve.name}.")
    return Repair(last.what, last.on, last.nerve_level, (today - last.on).days)


def names(nerve: Site, operation: Operation) -> bool:
    """Whether the words of an operation name a nerve."""
    text = " ".join([operation.what, *operation.structures]).casefold()
    part = nerve.part
    if part.digit:
        border = "radial" if "radial" in nerve.key else "ulnar"
        said = {each for each in ("radial", "ulnar") if re.search(rf"\b{each} (?:proper )?digital\b", text)}
        return part.digit in operation.digits and "digital nerve" in text and (not said or border in said)
    if nerve.key == "superficial-radial-nerve":
        return _SUPERFICIAL.search(text) is not None
    trunk = nerve.key.removesuffix("-nerve")
    with_others = rf"\b{trunk}(?:(?:,| and|, and) {_TRUNKS})* nerves?\b"
    return re.search(with_others, _SUPERFICIAL.sub("", text)) is not None


def _follow_up(
    nerve: Site, repair: Repair | Missing, lines: Sequence[Trajectory], measurements: Sequence[Measurement]
) -> NerveFollowUp:
    since = repair.on if isinstance(repair, Repair) else None
    keys = zones_served(nerve)
    own = [m for m in measurements if m.site.side == nerve.side and m.site.key in keys]
    return NerveFollowUp(
        nerve=nerve,
        repair=repair,
        signs=tuple(_sign(line.between(since)) for line in lines),
        zones=zones_of(own),
        steps=steps_of(own, since),
        notes=tuple(_notes(nerve, keys)),
    )


def zones_served(nerve: Site) -> tuple[str, ...]:
    """The keys of the zones of skin that a nerve usually serves, alone or with another."""
    part = nerve.part
    if part.digit:
        return (f"{part.digit}-tip", f"{part.digit}-base")
    trunk = "radial" if nerve.key == "superficial-radial-nerve" else nerve.key.removesuffix("-nerve")
    return tuple(key for key, each in PARTS.items() if each.kind == "zone" and trunk in each.nerve.split(" and "))


def _notes(nerve: Site, keys: Iterable[str]) -> Iterable[str]:
    shared = [PARTS[key].name for key in keys if " and " in PARTS[key].nerve]
    if nerve.part.digit:
        yield "the zones of the digit belong to both of its digital nerves"
    elif shared:
        yield f"shared with another nerve: {', '.join(shared)}"
    if nerve.key in NERVES:
        yield "which nerve serves which zone is common practice; individual anatomy varies"


def _sign(line: Trajectory) -> SignRate:
    trend = trend_of(line)
    rate = trend.slope if isinstance(trend.slope, Missing) else _a_day(trend.slope, line.unit)
    allowed = trend.allowed
    if not isinstance(allowed, Missing):
        allowed = Interval(_a_day(allowed.low, line.unit), _a_day(allowed.high, line.unit))
    landmark = line.conditions.get("nerve_landmark", "")
    return SignRate(landmark, line, trend, rate, allowed, _words(rate, allowed))


def _a_day(a_week: Decimal, unit: str) -> Decimal:
    return rounded(Fraction(convert(a_week, unit, "mm")) / 7, 2)


def _words(rate: Decimal | Missing, interval: Interval | Missing) -> str:
    if isinstance(rate, Missing):
        return f"whether the sign advances cannot be told: {rate.reason}"
    if isinstance(interval, Missing):
        return f"{rate:+f} mm a day, without an interval: {interval.reason}"
    span = f"{rate:+f} mm a day ({interval.low:f} to {interval.high:f})"
    if interval.low > 0:
        return f"the sign advances: {span}"
    return f"the sign recedes: {span}" if interval.high < 0 else f"whether the sign advances cannot be told: {span}"
