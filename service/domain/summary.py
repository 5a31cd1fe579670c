"""What a clinician wants to see of one patient's hands: each digit, grip and touch, at the start and now.

Numbers inform; nothing here judges a change or a person. What was not used, and why, is said with the rest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from service.domain.anatomy import SIDES, PartState, Side, Site
from service.domain.background import Background
from service.domain.hands import NEEDED, Hand, Results, against, hand_of
from service.domain.kinds import KINDS
from service.domain.line import BASELINE
from service.domain.measurement import Measurement
from service.domain.metric import Parameters, visit_of
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
    results = {name: METRICS[name].compute(used, parts, settings) for name in NEEDED}
    sides = sorted(SIDES, key=lambda s: (s not in marked, SIDES.index(s)))
    hands = tuple(h for side in sides for h in [hand_of(side, used, results, marked)] if h)
    if background:
        hands = tuple(against(hand, background) for hand in hands)
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
        notes=tuple(_notes(used, background)),
        precautions=tuple(p for p in background.precautions if p.in_force(background.on)) if background else (),
    )


_EXPLAINED = (*NEEDED, "arc-of-motion", "grip-best", "grip-variation")
"""The metrics whose results stand in a summary, parts of others among them."""


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


def _notes(used: Sequence[Measurement], background: Background | None) -> Iterable[str]:
    course = background.course if background else None
    if course and course.until:
        day = course.until.isoformat()
        yield f"The course of therapy ended on {day}: sides are marked as in it; precautions hold until their own end"
    yield from unsigned_note(used)


def unsigned_note(used: Sequence[Measurement]) -> Iterable[str]:
    """How many of these readings belong to visits that are not signed, if any do."""
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
