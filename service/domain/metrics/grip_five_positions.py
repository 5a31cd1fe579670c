"""The five-position grip curve: the force at each handle position of one visit, and its spread."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from service.domain.anatomy import PartState
from service.domain.measurement import Measurement, Quantity
from service.domain.metric import Metric, Missing, Parameters, Result, Source
from service.domain.metrics import grip_summary
from service.domain.metrics.grip_variation import root
from service.domain.metrics.strength_trials import newtons
from service.domain.units import unit

POSITIONS = ("1", "2", "3", "4", "5")


def compute(
    measurements: Sequence[Measurement], states: Sequence[PartState], parameters: Parameters
) -> tuple[Result, ...]:
    """One result for each hand, visit and set of conditions tested at more than one handle position."""
    groups: dict[tuple[str, ...], list[Result]] = {}
    for test in grip_summary.compute(measurements, states, parameters):
        alike = (answer for name, answer in test.conditions.items() if name != "handle_position")
        groups.setdefault((test.visit, test.site.code, *alike), []).append(test)
    several = (g for g in groups.values() if len({t.conditions["handle_position"] for t in g}) > 1)
    return tuple(_curve(group) for group in several)


def _curve(tests: Sequence[Result]) -> Result:
    first = min(tests, key=lambda t: t.taken)
    by_position = sorted(tests, key=lambda t: t.conditions["handle_position"])
    conditions = {name: answer for name, answer in first.conditions.items() if name != "handle_position"}
    value, notes = _spread(by_position)
    return METRIC.result(
        first.site,
        value,
        [m for test in by_position for m in test.inputs],
        conditions,
        parts=by_position,
        parameters={"sd": "sample"},
        notes=notes,
    )


def _spread(tests: Sequence[Result]) -> tuple[Quantity | Missing, list[str]]:
    forces: dict[str, Fraction] = {}
    for test in tests:
        force, position = newtons(test), test.conditions["handle_position"]
        if force is not None and forces.setdefault(position, force) != force:
            return Missing("read-twice", f"Handle position {position} was tested more than once."), []
    missing = [p for p in POSITIONS if p not in forces]
    if missing:
        return Missing("positions-missing", f"No force at handle position {', '.join(missing)}."), []
    mean = sum(forces.values(), Fraction(0)) / len(POSITIONS)
    variance = sum(((f - mean) ** 2 for f in forces.values()), Fraction(0)) / (len(POSITIONS) - 1)
    peak = max(POSITIONS, key=lambda p: forces[p])
    return Quantity(root(variance / unit("kgf").size ** 2), "kgf"), [f"largest at handle position {peak}"]


METRIC = Metric(
    name="grip-five-positions",
    version=1,
    title="Five-position grip: spread of the curve",
    unit="kgf",
    formula="Standard deviation (n - 1) of the five forces, one at each handle position of one visit.",
    source=Source("Gutierrez & Shechtman, Am J Phys Med Rehabil 2003", "published"),
    rule=compute,
    caveat=(
        "a number only: it depends on strength, its best cut-off (8.5) had a sensitivity of .70 and a specificity of "
        ".83 (Gutierrez 2003), and only 60% of people are strongest at position 2 (Crosby 1994)"
    ),
)
