"""Intrinsic and extrinsic tightness: how passive PIP flexion changes with the position of the MCP joint."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from service.domain.anatomy import PartState
from service.domain.kinds import tightness
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source, visit_of

TOLD_FROM = Decimal(10)
"""Degrees from which a difference is put in words: a rule of this project; no cut-off was found in print."""
_HELD = ("mcp-flexed", "mcp-extended")


def compute(
    measurements: Sequence[Measurement], _states: Sequence[PartState], _parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each PIP joint, visit and time about treatment with a tightness test."""
    groups: dict[tuple[str, ...], list[Measurement]] = {}
    for reading in measurements:
        of_pip = reading.kind == tightness.KIND.name and reading.site.part.joint == "pip"
        if of_pip and reading.answer("motion") == "flexion" and reading.answer("neighbour") in _HELD:
            key = (visit_of(reading), reading.site.code, reading.answer("treatment"))
            groups.setdefault(key, []).append(reading)
    return tuple(_difference(group) for group in groups.values())


def _difference(readings: Sequence[Measurement]) -> Result:
    site, conditions = readings[0].site, {"treatment": readings[0].answer("treatment")}
    held: dict[str, set[Decimal]] = {name: set() for name in _HELD}
    for reading in readings:
        if reading.number is not None:
            held[reading.answer("neighbour")].add(reading.number)
    for name, found in held.items():
        if len(found) != 1:
            words = name.replace("mcp-flexed", "MCP bent").replace("mcp-extended", "MCP straight")
            times = "more than once, with different values" if found else "not at all"
            missing = Missing("read-twice" if found else "not-measured", f"Flexion with the {words} was read {times}.")
            return METRIC.result(site, missing, readings, conditions)
    bent, straight = (held[name].pop() for name in _HELD)
    notes = (_in_words(bent - straight),)
    return METRIC.result(site, Quantity(bent - straight, "deg"), readings, conditions, notes=notes)


def _in_words(difference: Decimal) -> str:
    if difference > TOLD_FROM:
        return "bends less with the MCP joint straight, as where intrinsic muscles are tight"
    if difference < -TOLD_FROM:
        return "bends less with the MCP joint bent, as where extrinsic extensors are tight"
    return "bends about as far in both positions: where it bends little, as where the joint itself is stiff"


METRIC = Metric(
    name="tightness-difference",
    version=1,
    title="Tightness: PIP flexion with the MCP joint bent minus straight",
    unit="deg",
    formula=(
        "Passive PIP flexion with the MCP joint bent minus passive PIP flexion with the MCP joint straight. Put in "
        "words from a difference of 10 degrees, by a rule of this project: no cut-off was found in print."
    ),
    source=Source("Bunnell-Littler test; direction as at orthofixar.com and emedicine 1243815", "published"),
    rule=compute,
    caveat="a finding beside others, not a diagnosis",
)
