"""Time to an event that is seen at visits only: between the last visit without it and the first with it.

`kaplan_meier` takes the first visit with it for its day, and so is late by up to the time between visits; its interval
counts patients (the squared sums of infinitesimal jackknife values by patient; with one line a patient it is
Greenwood's), on the complementary log-log scale (Kalbfleisch & Prentice 1980), too narrow with few patients.
`turnbull` is the nonparametric maximum likelihood estimate that knows only the interval (Turnbull, J R Stat Soc B
1976;38:290; whether it is the maximum is held against the conditions of Gentleman & Geyer, Biometrika 1994;81:618).
Sources are cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, fsum, inf, log, sqrt
from random import Random

from service.domain.change.trend import Z
from service.domain.metric import Missing
from service.domain.outcomes.clustered import FEWEST_PATIENTS

RESAMPLES = 200
_STEPS = 20_000


@dataclass(frozen=True, slots=True)
class Seen:
    """When a line reached something: after `after`, at `until` at the latest; None where it had not by `after`."""

    patient: str
    side: str
    digit: str
    after: float
    until: float | None


@dataclass(frozen=True, slots=True)
class Fall:
    """A day of the Kaplan-Meier curve: lines at risk and reaching it, and the share that has reached it by then."""

    day: float
    at_risk: int
    reaching: int
    reached: float
    interval: tuple[float, float] | Missing


@dataclass(frozen=True, slots=True)
class Mass:
    """A share that reached it after `low` and by `high` (None: it is not known to have at all)."""

    low: float
    high: float | None
    share: float


def kaplan_meier(seen: Sequence[Seen]) -> list[Fall]:
    """The curve, one row a day on which some line was first seen to have reached it."""
    times = [(each.after if each.until is None else each.until, each.until is not None) for each in seen]
    influence, left, found = [0.0] * len(seen), 1.0, []
    for day in sorted({time for time, reached in times if reached}):
        at_risk = sum(time >= day for time, _ in times)
        reaching = sum(reached and time == day for time, reached in times)
        left *= 1 - reaching / at_risk
        if reaching < at_risk:
            for n, (time, reached) in enumerate(times):
                own = (reached and time == day) - (time >= day) * reaching / at_risk
                influence[n] -= own / (at_risk - reaching)
        found.append(Fall(day, at_risk, reaching, 1 - left, _around(seen, left, influence)))
    return found


def _around(seen: Sequence[Seen], left: float, influence: Sequence[float]) -> tuple[float, float] | Missing:
    """The interval of the share that has reached it. `influence` is that of each line on the logarithm of `left`."""
    by_patient: dict[str, float] = {}
    for each, value in zip(seen, influence, strict=True):
        by_patient[each.patient] = by_patient.get(each.patient, 0.0) + value
    spread = sqrt(sum(value * value for value in by_patient.values()))
    if len(by_patient) < FEWEST_PATIENTS or not 0 < left < 1:
        reason = f"A share of all, or of fewer than {FEWEST_PATIENTS} patients, has no interval here."
        return Missing("no-interval", reason)
    middle, reach = log(-log(left)), Z * spread / abs(log(left))
    return 1 - exp(-exp(middle - reach)), 1 - exp(-exp(middle + reach))


def turnbull(seen: Sequence[Seen], tolerance: float = 1e-7) -> list[Mass] | Missing:
    """The masses above 0 in order of time; `Missing` where there is nothing seen, or the estimate was not reached.

    At the maximum no place gains likelihood; `tolerance` is by how much one may still, as a share of its own.
    """
    if not seen:
        return Missing("none", "There is no line to estimate from.")
    import numpy as np  # heavy, and needed here only

    spans = [(each.after, inf if each.until is None else each.until) for each in seen]
    places = innermost(spans)
    holds = np.array([[float(low <= a and b <= high) for a, b in places] for low, high in spans])
    shares = np.full(len(places), 1 / len(places))
    for _ in range(_STEPS):
        # At the maximum the gain is 1 where there is mass, and at most 1 elsewhere.
        gain = (holds / (holds @ shares)[:, None]).mean(axis=0)
        if float(gain.max()) <= 1 + tolerance:
            break
        shares = shares * gain
    else:
        return Missing("no-maximum", f"The estimate was not reached in {_STEPS} steps.")
    return [
        Mass(low, None if high == inf else high, float(share))
        for (low, high), share in zip(places, shares, strict=True)
        if share > 1e-6
    ]


def innermost(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The intervals (low, high] that can hold mass: a beginning followed at once by an end, of all those given."""
    # Intervals are open below and closed above: at one day an end comes before a beginning.
    ends = sorted({(high, 0) for _, high in spans} | {(low, 1) for low, _ in spans})
    return [(a, b) for (a, opens), (b, closes) in pairwise(ends) if opens == 1 and closes == 0]


def reached_by(masses: Sequence[Mass], day: float) -> float:
    """The share that is known to have reached it by a day."""
    return fsum(mass.share for mass in masses if mass.high is not None and mass.high <= day)


def middle_of(masses: Sequence[Mass]) -> tuple[float, float | None] | None:
    """The interval in which half have reached it; None where fewer than half are known to."""
    total = 0.0
    for mass in masses:
        total += mass.share if mass.high is not None else 0.0
        if total >= 0.5:
            return mass.low, mass.high
    return None


def around_turnbull(seen: Sequence[Seen], days: Sequence[float], seed: int) -> list[tuple[float, float]] | Missing:
    """Of the share reached by each day, the interval at 95% by drawing patients with all their lines, with return.

    Percentiles of `RESAMPLES` draws; with visits on many different days its level is not proven.
    """
    by_patient: dict[str, list[Seen]] = {}
    for each in seen:
        by_patient.setdefault(each.patient, []).append(each)
    if len(by_patient) < FEWEST_PATIENTS:
        return Missing("too-few-patients", f"An interval over patients needs {FEWEST_PATIENTS} of them.")
    random = Random(seed)  # noqa: S311 - draws of a bootstrap, which must come again
    groups, drawn = list(by_patient.values()), []
    for _ in range(RESAMPLES):
        found = turnbull([each for group in random.choices(groups, k=len(groups)) for each in group], 1e-4)
        if isinstance(found, Missing):
            return found
        drawn.append([reached_by(found, day) for day in days])
    ranked = [sorted(column) for column in zip(*drawn, strict=True)]
    ends = int(RESAMPLES * 0.025), RESAMPLES - 1 - int(RESAMPLES * 0.025)
    return [(column[ends[0]], column[ends[1]]) for column in ranked]
