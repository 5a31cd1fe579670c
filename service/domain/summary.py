"""What a clinician wants to see of one patient's hands: each digit, grip and touch, at the start and now.

Numbers inform; nothing here judges a change or a person. What was not used, and why, is said with the rest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from service.domain.anatomy import DIGITS, PARTS, SIDES, PartState, Side, Site
from service.domain.background import Background
from service.domain.course import Elapsed
from service.domain.field import UNKNOWN
from service.domain.kinds import KINDS
from service.domain.line import BASELINE, Line, line_of
from service.domain.measurement import Measurement
from service.domain.metric import Missing, Parameters, Result, visit_of
from service.domain.metrics import METRICS
from service.domain.orthosis.life import RedFlag
from service.domain.precautions import Precaution
from service.domain.result_json import plain

_WRONG = ("entered-in-error", "cancelled")


@dataclass(frozen=True, slots=True)
class KeptCaution:
    """Something unlikely about a reading that a person confirmed, with the reason given."""

    site: Site
    measure: str
    taken: datetime
    rule: str
    reason: str
    id: str = ""


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure at one site. `main` is the free hand; `apart` holds it in, or just out of, an orthosis.

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


@dataclass(frozen=True, slots=True)
class Hand:
    """One hand. `role` is `affected` where a clinician marked the other as reference, and `reference` for that one."""

    side: Side
    role: Literal["affected", "reference", "not stated"]
    digits: Mapping[str, tuple[Measure, ...]]
    grip: tuple[Measure, ...]
    touch: tuple[Measure, ...]
    touch_zones: tuple[Measure, ...]

    @property
    def measures(self) -> tuple[Measure, ...]:
        """Every measure of this hand."""
        return (*(m for each in self.digits.values() for m in each), *self.grip, *self.touch, *self.touch_zones)


@dataclass(frozen=True, slots=True)
class PatientSummary:
    """One patient. `not_shown` counts readings on record that no measure here rests on, by kind and site.

    `not_used` counts results that could not be used at all, by reason. `precautions` are all those in force.
    `red_flags` come first: checks of an orthosis that nobody has answered yet.
    """

    red_flags: tuple[RedFlag, ...]
    subject: str
    baseline: str
    visits: int
    first: datetime | None
    last: datetime | None
    hands: tuple[Hand, ...]
    states: tuple[PartState, ...]
    warnings: tuple[KeptCaution, ...]
    not_shown: Mapping[str, int]
    not_used: Mapping[str, int]
    notes: tuple[str, ...] = ()
    precautions: tuple[Precaution, ...] = ()


def summarise(
    measurements: Iterable[Measurement],
    states: Iterable[PartState] = (),
    other_side_is_reference: Mapping[Side, bool] | None = None,
    *,
    parameters: Parameters | None = None,
    not_used: Mapping[str, int] | None = None,
    background: Background | None = None,
    red_flags: Iterable[RedFlag] = (),
) -> PatientSummary:
    """The summary of one patient's readings.

    `other_side_is_reference` says for a side whether a clinician marked the *other* one as fit to serve as its
    reference; a side not named has none. `not_used` are results found outside these readings, counted by reason.
    `background` is what the results are read against, `red_flags` what nobody has answered yet.
    """
    given = sorted(measurements, key=lambda m: m.circumstances.taken)
    if len({m.circumstances.subject for m in given}) > 1:
        raise ValueError("a summary is of one patient")
    used = [m for m in given if m.circumstances.status not in _WRONG]
    marked = frozenset(side for side, may in (other_side_is_reference or {}).items() if may)
    settings = replace(parameters or Parameters(), reference_for=marked)
    parts = tuple(states)
    results = {name: METRICS[name].compute(used, parts, settings) for name in _NEEDED}
    sides = sorted(SIDES, key=lambda s: (s not in marked, SIDES.index(s)))
    hands = tuple(h for side in sides for h in [_hand(side, used, results, marked)] if h)
    if background:
        hands = tuple(_against(hand, background) for hand in hands)
    return PatientSummary(
        red_flags=tuple(red_flags),
        subject=given[0].circumstances.subject if given else "",
        baseline=BASELINE,
        visits=len({visit_of(m) for m in used}),
        first=used[0].circumstances.taken if used else None,
        last=used[-1].circumstances.taken if used else None,
        hands=hands,
        states=parts,
        warnings=tuple(_cautions(used)),
        not_shown=_not_shown(used, results),
        not_used=_not_used(given, not_used or {}),
        notes=tuple(_notes(used)),
        precautions=tuple(p for p in background.precautions if p.in_force(background.on)) if background else (),
    )


def _against(hand: Hand, background: Background) -> Hand:
    def beside(measures: tuple[Measure, ...]) -> tuple[Measure, ...]:
        return tuple(_beside(measure, background) for measure in measures)

    return replace(
        hand,
        digits={digit: beside(measures) for digit, measures in hand.digits.items()},
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


_PERCENT_OF = {
    "total-active-motion": "percent-of-reference",
    "total-passive-motion": "percent-of-reference",
    "grip-summary": "grip-ratio",
}
_NEEDED = (*_PERCENT_OF, *sorted(set(_PERCENT_OF.values())), "touch-threshold-category", "touch-threshold-hand")
_NOT_SET_AGAINST = Missing("no-percent", "This measure is not set against the other hand.")
Results = Mapping[str, Sequence[Result]]
_EXPLAINED = (*_NEEDED, "arc-of-motion", "grip-best", "grip-variation")
"""The metrics whose results stand in a summary, parts of others among them."""


def _hand(side: Side, used: Sequence[Measurement], results: Results, marked: frozenset[Side]) -> Hand | None:
    here = [m for m in used if m.site.side == side]
    if not here:
        return None
    moved = {m.site.part.digit for m in here if m.kind == "joint-motion"} - {""}
    return Hand(
        side=side,
        role=_role(side, marked),
        digits={d: _digit(Site(side, d), results) for d in DIGITS if d in moved},
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


def _measures(name: str, site: Site, results: Results) -> tuple[Measure, ...]:
    """The measure at this site, or nothing where it was never attempted."""
    by_state: dict[str, list[Result]] = {}
    for result in results[name]:
        if result.site == site:
            by_state.setdefault(result.conditions.get("orthosis_state", ""), []).append(result)
    if not by_state:
        return ()
    percents = {_key(p.parts[0]): p for p in results.get(_PERCENT_OF.get(name, ""), ())}

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


def _cautions(used: Iterable[Measurement]) -> Iterable[KeptCaution]:
    for m in used:
        for caution in m.cautions:
            measure = KINDS[m.kind].display(m.axes)
            yield KeptCaution(m.site, measure, m.circumstances.taken, caution.rule, caution.reason, m.circumstances.id)


def _not_shown(used: Sequence[Measurement], results: Results) -> dict[str, int]:
    shown = {id(m) for found in results.values() for r in found for m in r.inputs}
    return dict(Counter(f"{KINDS[m.kind].title}, {m.site.name}" for m in used if id(m) not in shown))


def _not_used(given: Iterable[Measurement], outside: Mapping[str, int]) -> dict[str, int]:
    wrong = Counter(m.circumstances.status for m in given if m.circumstances.status in _WRONG)
    return {**outside, **{f"status {status}": count for status, count in wrong.items()}}


def _notes(used: Sequence[Measurement]) -> Iterable[str]:
    unsigned = sum(m.circumstances.status == "preliminary" for m in used)
    if unsigned:
        yield f"{unsigned} of {len(used)} readings belong to visits that are not signed yet"


def as_json(summary: PatientSummary) -> dict[str, Any]:
    """The summary as plain JSON values, with the formula of every metric named in it; every number stays a Decimal."""
    formulas = {
        m.name: {"version": m.version, "title": m.title, "formula": m.formula, "source": plain(m.source)}
        for m in (METRICS[name] for name in _EXPLAINED)
    }
    return {**plain(summary), "formulas": formulas}
