"""One hand of a patient, measure by measure: motion, grip and touch, each at the start and now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from service.domain.anatomy import DIGITS, PARTS, Side, Site
from service.domain.arcs import ARCS
from service.domain.background import Background
from service.domain.course import Elapsed
from service.domain.field import UNKNOWN
from service.domain.line import Line, line_of
from service.domain.measurement import Measurement
from service.domain.metric import Missing, Result
from service.domain.precautions import Precaution

PERCENT_OF = {
    "total-active-motion": "percent-of-reference",
    "total-passive-motion": "percent-of-reference",
    "grip-summary": "grip-ratio",
}
NEEDED = (
    *PERCENT_OF,
    *sorted(set(PERCENT_OF.values())),
    "limb-arc",
    "touch-threshold-category",
    "touch-threshold-hand",
)
"""The metrics that a hand is summarised by."""
_NOT_SET_AGAINST = Missing("no-percent", "This measure is not set against the other hand.")
Results = Mapping[str, Sequence[Result]]


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure at one site. `main` is the free hand; `apart` holds it in, or just out of, an orthosis.

    `of` names the arc and the mode of motion, where a site has several of one metric.

    Where no reading says that the hand was free, those that say nothing stand in `main`, and the note says so.
    `precautions` are those in force that touch the site; `elapsed_at_start` and `elapsed_now` tell how long before the
    first and the last result the side was injured and operated on.
    """

    metric: str
    site: Site
    main: Line | Missing
    apart: Mapping[str, Line] = field(default_factory=dict)
    note: str = ""
    precautions: tuple[Precaution, ...] = ()
    elapsed_at_start: tuple[Elapsed, ...] = ()
    elapsed_now: tuple[Elapsed, ...] = ()
    of: str = ""


@dataclass(frozen=True, slots=True)
class Hand:
    """One hand with its arm.

    `role` is `affected` where a clinician marked the other as reference, and `reference` for that one.
    """

    side: Side
    role: Literal["affected", "reference", "not stated"]
    digits: Mapping[str, tuple[Measure, ...]]
    grip: tuple[Measure, ...]
    touch: tuple[Measure, ...]
    touch_zones: tuple[Measure, ...]
    limb: tuple[Measure, ...] = ()

    @property
    def measures(self) -> tuple[Measure, ...]:
        """Every measure of this hand."""
        of_digits = (m for each in self.digits.values() for m in each)
        return (*of_digits, *self.limb, *self.grip, *self.touch, *self.touch_zones)


def hand_of(side: Side, used: Sequence[Measurement], results: Results, marked: frozenset[Side]) -> Hand | None:
    """One hand of a patient, or None where nothing of it was read."""
    here = [m for m in used if m.site.side == side]
    if not here:
        return None
    moved = {m.site.part.digit for m in here if m.kind == "joint-motion"} - {""}
    return Hand(
        side=side,
        role=_role(side, marked),
        digits={d: _digit(Site(side, d), results) for d in DIGITS if d in moved},
        limb=tuple(m for key in PARTS for m in _arcs(Site(side, key), results)),
        grip=_measures("grip-summary", Site(side, "hand"), results),
        touch=_measures("touch-threshold-hand", Site(side, "hand"), results),
        touch_zones=tuple(
            measure for key in PARTS for measure in _measures("touch-threshold-category", Site(side, key), results)
        ),
    )


def _role(side: Side, marked: frozenset[Side]) -> Literal["affected", "reference", "not stated"]:
    if side in marked:
        return "affected"
    return "reference" if Site(side, "hand").other.side in marked else "not stated"


def _digit(site: Site, results: Results) -> tuple[Measure, ...]:
    return tuple(
        measure
        for name in ("total-active-motion", "total-passive-motion")
        for measure in _measures(name, site, results) or (_unmeasured(name, site),)
    )


def _unmeasured(name: str, site: Site) -> Measure:
    mode = name.split("-")[1]
    return Measure(name, site, Missing("not-measured", f"No joint of the {site.name} has a reading of {mode} motion."))


def _arcs(site: Site, results: Results) -> Iterable[Measure]:
    """Each arc of a joint of the arm, active and passive apart."""
    found: dict[str, list[Result]] = {}
    for result in results["limb-arc"]:
        if result.site == site:
            arc = next(a for a in ARCS[site.part.joint] if a.name == result.conditions["arc"])
            mode = {UNKNOWN: "active or passive not recorded"}.get(result.conditions["mode"], result.conditions["mode"])
            words = f"{arc.first.name} to {arc.second.name}".replace("-", " ")
            found.setdefault(f"{words}, {mode}", []).append(result)
    for of, arcs in sorted(found.items()):
        yield from (replace(m, of=of) for m in _measures("limb-arc", site, {**results, "limb-arc": arcs}))


def _measures(name: str, site: Site, results: Results) -> tuple[Measure, ...]:
    """The measure at this site, or nothing where it was never attempted."""
    by_state: dict[str, list[Result]] = {}
    for result in results[name]:
        if result.site == site:
            by_state.setdefault(result.conditions.get("orthosis_state", ""), []).append(result)
    if not by_state:
        return ()
    percents = {_key(p.parts[0]): p for p in results.get(PERCENT_OF.get(name, ""), ())}

    def beside(result: Result) -> Result | Missing:
        return percents.get(_key(result), _NOT_SET_AGAINST)

    chosen = next((state for state in ("free", UNKNOWN, "") if state in by_state), None)
    apart = {state: line_of(found, beside) for state, found in by_state.items() if state != chosen}
    if chosen is None:
        missing = Missing("not-measured-free", f"The {site.name} was never measured without an orthosis.")
        return (Measure(name, site, missing, apart),)
    note = "whether an orthosis was on was not recorded" if chosen == UNKNOWN else ""
    return (Measure(name, site, line_of(by_state[chosen], beside), apart, note),)


def _key(result: Result) -> tuple[object, ...]:
    ids = tuple(id(m) for m in result.inputs)
    return result.metric, result.visit, result.site, tuple(sorted(result.conditions.items())), ids


def against(hand: Hand, background: Background) -> Hand:
    """A hand with what each of its measures is read against."""

    def beside(measures: tuple[Measure, ...]) -> tuple[Measure, ...]:
        return tuple(_beside(measure, background) for measure in measures)

    return replace(
        hand,
        digits={digit: beside(measures) for digit, measures in hand.digits.items()},
        limb=beside(hand.limb),
        grip=beside(hand.grip),
        touch=beside(hand.touch),
        touch_zones=beside(hand.touch_zones),
    )


def _beside(measure: Measure, background: Background) -> Measure:
    precautions = background.precautions_at(measure.site)
    line = measure.main if isinstance(measure.main, Line) else next(iter(measure.apart.values()), None)
    if line is None:
        return replace(measure, precautions=precautions)
    start, now = (background.elapsed_at(measure.site, r.taken.date()) for r in (line.start, line.now))
    return replace(measure, precautions=precautions, elapsed_at_start=start, elapsed_now=now)
