"""Change of level and of slope from one phase to the next, by segmented regression.

y = b0 + b1 t + b2 D + b3 (t - t0) D, with D = 1 in the later phase and t0 its beginning: b2 is the change of level at
the beginning of the later phase, b3 the change of slope (Wagner et al., J Clin Pharm Ther 2002;27:299). With t instead
of the time since t0 in the last term, b2 would be no change of level (PMC8271192).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from service.domain.metric import Missing

LEAST = 3
"""As many visits of each phase are needed: with fewer, a line through them has no spread of its own."""


@dataclass(frozen=True, slots=True)
class Coefficient:
    """One coefficient with its standard error, and its interval at 95% by the t distribution."""

    value: float
    error: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Segmented:
    """The fit: level and slope of the earlier phase, and by how much both differ in the later one."""

    level: Coefficient
    slope: Coefficient
    level_change: Coefficient
    slope_change: Coefficient
    freedom: int


def segmented(
    times: Sequence[float], values: Sequence[float], start: float, earlier: int | None = None
) -> Segmented | Missing:
    """The fit through values in order of time; `start` is when the later phase began.

    The first `earlier` values are those of the earlier phase; where it is not said, those before `start`. `Missing`
    says why there is no fit.
    """
    first = sum(t < start for t in times) if earlier is None else earlier
    counts = (first, len(times) - first)
    if min(counts) < LEAST:
        return Missing("too-few-visits", f"{counts[0]} and {counts[1]} visits; {LEAST} of each phase are needed.")
    import numpy as np  # heavy, and needed here only
    from scipy.special import stdtrit

    design = np.array([[1.0, t, float(n >= first), (t - start) * (n >= first)] for n, t in enumerate(times)])
    y = np.array(values, dtype=float)
    found, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    freedom = len(times) - 4
    if rank < 4:
        return Missing("one-time", "The visits of a phase lie too close together for a slope.")
    rest = y - design @ found
    spread = float(rest @ rest) / freedom
    covariance = spread * np.linalg.inv(design.T @ design)
    reach = float(stdtrit(freedom, 0.975))

    def coefficient(n: int) -> Coefficient:
        value, error = float(found[n]), sqrt(max(float(covariance[n, n]), 0.0))
        return Coefficient(value, error, value - reach * error, value + reach * error)

    return Segmented(coefficient(0), coefficient(1), coefficient(2), coefficient(3), freedom)
