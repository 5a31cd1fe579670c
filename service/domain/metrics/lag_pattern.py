"""What a joint's active and passive motion, read together, may suggest: in words, with reasons, never a diagnosis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.kinds.joint_motion import position
from service.domain.measurement import Coded, Measurement
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import active_passive_difference
from service.domain.terms import Term, terms

SURE = Decimal("13.6")
"""Degrees that error alone seldom makes: 1.96 x sqrt(2) x 4.9, the largest SEM of a single finger joint in
BMC Musculoskelet Disord 2013;14:17 (healthy hands)."""
NONE = Decimal("4.9")
"""Degrees up to which a difference is no more than that SEM itself."""

VALUES: Mapping[str, Term] = terms(
    Term("neither", "active and passive motion alike, and the joint free"),
    Term("active-less", "active motion falls short of passive motion"),
    Term("passive-limited", "passive motion is limited, and active motion follows it"),
    Term("both", "passive motion is limited, and active motion falls short of it"),
    Term("cannot-be-told", "cannot be told from these readings"),
)
_MEANING = {
    "active-less": "may suggest a tendon that glides badly, weakness, pain or a habit: the joint allows more",
    "passive-limited": "may suggest the joint or what crosses it: it stops where the examiner moves it, too",
    "both": "may suggest the joint together with tendon glide, weakness or pain",
    "cannot-be-told": "at least one of the two differences is of the size of measurement error",
}
_WHOLE = {"mcp": 90, "pip": 100, "dip": 90, "ip": 80}
_WHOLE_OF_THUMB_MCP = 50


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each difference between active and passive motion."""
    return tuple(_pattern(each) for each in active_passive_difference.compute(measurements, states, parameters))


def _pattern(difference: Result) -> Result:
    value: Coded | Missing
    notes: list[str] = []
    if isinstance(difference.value, Missing) or difference.number is None:
        value = difference.value if isinstance(difference.value, Missing) else Missing("no-number", "No difference.")
    else:
        lacking = _lacking(difference)
        value = Coded(_code(_told(difference.number), _told(lacking)))
        notes = [f"{lacking} degrees short of whole passive {difference.conditions['motion']}"] if lacking > 0 else []
        notes += [_MEANING[value.code]] if value.code in _MEANING else []
    return METRIC.result(
        difference.site,
        value,
        difference.inputs,
        difference.conditions,
        at=difference,
        parts=(difference,),
        notes=[*difference.notes, *notes],
    )


def _lacking(difference: Result) -> Decimal:
    """How far passive motion ends short of straight, or of the flexion that AAOS calls normal."""
    joint = difference.site.part
    passive = [p for m in difference.inputs if m.answer("mode") == "passive" for p in [position(m)] if p]
    reached = max(amount for _, amount in passive)
    if difference.conditions["motion"] == "extension":
        return -reached
    whole = _WHOLE_OF_THUMB_MCP if joint.key == "thumb-mcp" else _WHOLE[joint.joint]
    return whole - reached


def _told(degrees: Decimal) -> bool | None:
    """Whether there is something: yes beyond what error makes, no within it, else None."""
    if degrees > SURE:
        return True
    return False if degrees <= NONE else None


def _code(active_less: bool | None, limited: bool | None) -> str:
    if active_less is None or limited is None:
        return "cannot-be-told"
    if active_less:
        return "both" if limited else "active-less"
    return "passive-limited" if limited else "neither"


METRIC = Metric(
    name="lag-pattern",
    version=1,
    title="What active and passive motion together may suggest",
    values=VALUES,
    formula=(
        "The difference between passive and active motion, and what passive motion lacks to straight or to normal "
        "flexion (AAOS: MCP 90, PIP 100, DIP 90; thumb MCP 50, IP 80): each is there from above 13.6 degrees, not "
        "there up to 4.9, else cannot be told."
    ),
    source=Source(
        "rule of this project; limits from the SEM in BMC Musculoskelet Disord 2013;14:17 (healthy hands)",
        "project rule",
    ),
    rule=compute,
    caveat="words beside numbers, not a diagnosis",
)
