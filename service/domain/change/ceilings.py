"""What a measure can reach at most, as far as anything on record says it: passive motion, the other hand, a norm.

A norm holds for whole, healthy joints and is an average: reaching it is a statement about the number, not about a
person. Averages of the American Academy of Orthopaedic Surgeons were seen in a secondary copy only.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping
from decimal import Decimal

from service.domain.anatomy import Side
from service.domain.change.comparable import Trajectory
from service.domain.change.plateau import Ceiling

_ACADEMY = "American Academy of Orthopaedic Surgeons, average range of motion, from a secondary copy"
_SOCIETY = "ASSH: total active motion of a finger, 260 degrees"
_TABLE = "total active motion of a thumb, 140 degrees: table at eatonhand.com/clf/clf217"
_STRAIGHT = "full extension is neutral (0 degrees); motion beyond it is hyperextension"

_POSITIONS: Mapping[tuple[str, str], tuple[int, str]] = {
    ("finger mcp", "flexion-position"): (90, _ACADEMY),
    ("pip", "flexion-position"): (100, _ACADEMY),
    ("dip", "flexion-position"): (90, _ACADEMY),
    ("thumb mcp", "flexion-position"): (50, _ACADEMY),
    ("ip", "flexion-position"): (80, _ACADEMY),
    ("wrist", "flexion-position"): (80, _ACADEMY),
    ("wrist", "extension-position"): (70, _ACADEMY),
    ("wrist", "radial-deviation-position"): (20, _ACADEMY),
    ("wrist", "ulnar-deviation-position"): (30, _ACADEMY),
    ("forearm", "pronation-position"): (80, _ACADEMY),
    ("forearm", "supination-position"): (80, _ACADEMY),
    **{(joint, "extension-position"): (0, _STRAIGHT) for joint in ("finger mcp", "thumb mcp", "pip", "dip", "ip")},
}


def ceilings_of(
    trajectory: Trajectory, others: Iterable[Trajectory], reference_for: Container[Side | str] = ()
) -> tuple[Ceiling, ...]:
    """What the last value of a trajectory can be held against, in this order: passive motion, other hand, norm.

    `reference_for` holds each side whose *other* side a clinician marked as fit to serve as its reference.
    """
    if not trajectory.points:
        return ()
    known = tuple(others)
    return (*_passive(trajectory, known), *_other_hand(trajectory, known, reference_for), *_norm(trajectory))


def _passive(trajectory: Trajectory, others: Iterable[Trajectory]) -> Iterator[Ceiling]:
    """Passive motion of the same joint at the same visit, all other conditions alike."""
    if trajectory.conditions.get("mode") != "active" or trajectory.is_metric:
        return
    wanted = {**trajectory.conditions, "mode": "passive"}
    day = trajectory.points[-1].day
    for other in others:
        if _is_of(other, trajectory) and other.site == trajectory.site and dict(other.conditions) == wanted:
            yield from (Ceiling(p.value, "the passive motion of the same visit") for p in other.points if p.day == day)


def _other_hand(
    trajectory: Trajectory, others: Iterable[Trajectory], reference_for: Container[Side | str]
) -> Iterator[Ceiling]:
    if trajectory.site.side not in reference_for:
        return
    for other in others:
        alike = _is_of(other, trajectory) and other.conditions == trajectory.conditions
        if alike and other.site == trajectory.site.other and other.site != trajectory.site and other.points:
            yield Ceiling(other.points[-1].value, "the other hand, marked as its reference by a clinician")


def _is_of(other: Trajectory, trajectory: Trajectory) -> bool:
    return (other.measure, other.unit, other.key[0]) == (trajectory.measure, trajectory.unit, trajectory.key[0])


def _norm(trajectory: Trajectory) -> Iterator[Ceiling]:
    part = trajectory.site.part
    if trajectory.measure == "total-active-motion" and trajectory.conditions.get("joints", "").count(" ") >= 1:
        yield from _total(trajectory)
    if trajectory.key[0] != "joint-motion" or trajectory.is_metric:
        return
    joint = f"{'thumb' if part.digit == 'thumb' else 'finger'} mcp" if part.joint == "mcp" else part.joint
    found = _POSITIONS.get((joint, trajectory.measure))
    if found:
        yield Ceiling(Decimal(found[0]), "the average of healthy joints", found[1])


def _total(trajectory: Trajectory) -> Iterator[Ceiling]:
    joints = trajectory.conditions["joints"].split()
    if trajectory.site.part.digit == "thumb" and joints == ["mcp", "ip"]:
        yield Ceiling(Decimal(140), "the norm of a whole thumb", _TABLE)
    elif joints == ["mcp", "pip", "dip"]:
        yield Ceiling(Decimal(260), "the norm of a whole finger", _SOCIETY)
