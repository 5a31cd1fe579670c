"""Indices of how far the values of one phase lie beyond those of another, for a single person.

All take the values of the earlier phase `a` and the later phase `b` in order of time, turned so that more is better;
`oriented` turns them. None of them knows why values differ, and serial correlation makes their intervals too narrow.

Sources: PND Scruggs, Mastropieri & Casto 1987; PEM Ma 2006; NAP Parker & Vannest, Behav Ther 2009;40:357; Tau and
Tau-U Parker, Vannest, Davis & Sauber, Behav Ther 2011;42:284, Parker, Vannest & Davis, Behav Modif 2011;35:303 (the
trend within the earlier phase is subtracted); baseline-corrected Tau Tarlow, Behav Modif 2017;41:427; log response
ratio Pustejovsky, J Sch Psychol 2018;68:99; interval of NAP Newcombe, Stat Med 2006;25:559, method 5.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import exp, log, sqrt
from statistics import mean, median, variance

from service.domain.change.kendall import order_of
from service.domain.change.trend import Interval, Z, line_through
from service.domain.measurement import Better
from service.domain.metric import Missing
from service.domain.units import rounded

Values = Sequence[float]
LEAST = 3
"""As many values of each phase are needed for any of these: a rule of this record."""


@dataclass(frozen=True, slots=True)
class Index:
    """One index, with its interval at 95% or why it has none, what its values mean, and its source."""

    name: str
    title: str
    value: float | Missing
    interval: tuple[float, float] | Missing
    meaning: str
    source: str

    def told(self) -> dict[str, object]:
        """The index as it is shown, its numbers with four decimals."""
        value = self.value if isinstance(self.value, Missing) else rounded(Fraction(self.value), 4)
        interval: Interval | Missing
        if isinstance(self.interval, Missing):
            interval = self.interval
        else:
            low, high = (rounded(Fraction(end), 4) for end in self.interval)
            interval = Interval(low, high)
        return {
            "name": self.name,
            "title": self.title,
            "value": value,
            "interval": interval,
            "meaning": self.meaning,
            "source": self.source,
        }


def oriented(values: Iterable[float], better: Better) -> list[float]:
    """The values turned so that more is better."""
    return [-value if better == "less" else value for value in values]


def nap(a: Values, b: Values) -> float:
    """Non-overlap of all pairs: the share of pairs in which the later value is the better one; equal counts a half."""
    return sum((later > earlier) + 0.5 * (later == earlier) for later in b for earlier in a) / (len(a) * len(b))


def nap_interval(a: Values, b: Values) -> tuple[float, float]:
    """The interval of NAP at 95%."""
    found, half = nap(a, b), (len(a) + len(b)) / 2 - 1

    def beyond(theta: float) -> float:
        spread = theta * (1 - theta) * (1 + half * ((1 - theta) / (2 - theta) + theta / (1 + theta)))
        return abs(found - theta) - Z * sqrt(max(spread, 0.0) / (len(a) * len(b)))

    return _end(beyond, found, 0.0), _end(beyond, found, 1.0)


def _end(beyond: Callable[[float], float], inside: float, outside: float) -> float:
    """Where `beyond` turns from below 0 to above it, on the way from inside to outside."""
    if beyond(outside) <= 0:
        return outside
    for _ in range(200):
        middle = (inside + outside) / 2
        if beyond(middle) <= 0:
            inside = middle
        else:
            outside = middle
    return inside


def pnd(a: Values, b: Values) -> float:
    """The share of later values beyond the best earlier one."""
    return sum(value > max(a) for value in b) / len(b)


def pem(a: Values, b: Values) -> float:
    """The share of later values beyond the median of the earlier ones; equal counts a half."""
    middle = median(a)
    return sum((value > middle) + 0.5 * (value == middle) for value in b) / len(b)


def tau(a: Values, b: Values) -> float:
    """Pairs that improve minus pairs that worsen, as a share of all pairs."""
    return 2 * nap(a, b) - 1


def tau_u(a: Values, b: Values) -> float:
    """Tau with the trend within the earlier phase subtracted. It can leave the range from -1 to 1."""
    pairs = len(a) * len(b)
    return (tau(a, b) * pairs - order_of([list(enumerate(a))]).score) / pairs


def corrected(a: Values, b: Values, times: Values | None = None) -> tuple[list[float], list[float]]:
    """Both phases without the Theil-Sen line of the earlier one; `times` of all values, else their numbers."""
    when = list(times) if times is not None else [float(n) for n in range(1, len(a) + len(b) + 1)]
    line = line_through([list(zip(when, a, strict=False))])
    slope = line.slope if line else 0.0
    level = median(value - slope * t for t, value in zip(when, a, strict=False))
    rest = [value - slope * t - level for t, value in zip(when, [*a, *b], strict=True)]
    return rest[: len(a)], rest[len(a) :]


def kendall_tau_b(one: Values, other: Values) -> float:
    """Kendall's rank correlation with ties allowed for; 0 where one of the two is constant."""
    pairs = [(n, m) for m in range(len(one)) for n in range(m)]
    score = sum(_sign(one[m] - one[n]) * _sign(other[m] - other[n]) for n, m in pairs)
    untied = [len(pairs) - sum(c * (c - 1) // 2 for c in Counter(values).values()) for values in (one, other)]
    return score / sqrt(untied[0] * untied[1]) if all(untied) else 0.0


def _sign(number: float) -> int:
    return (number > 0) - (number < 0)


def baseline_corrected_tau(a: Values, b: Values, times: Values | None = None) -> float:
    """Kendall's tau-b between phase and value, after the trend of the earlier phase was taken out of both."""
    before, after = corrected(a, b, times)
    # Values that rest on the same line differ by rounding of the arithmetic alone.
    rest = [round(value, 9) for value in (*before, *after)]
    return kendall_tau_b([0.0] * len(a) + [1.0] * len(b), rest)


def log_response_ratio(a: Values, b: Values) -> tuple[float, tuple[float, float]] | Missing:
    """The logarithm of the ratio of the means, later over earlier, corrected for few values, and its interval at 95%.

    `a` and `b` are as measured, not turned.
    """
    if min(*a, *b) < 0 or mean(a) <= 0 or mean(b) <= 0:
        return Missing("not-positive", "A mean is not above 0: a ratio has no logarithm.")
    parts = [(mean(each), variance(each) / len(each)) for each in (a, b)]
    ratio = sum(sign * (log(m) + v / (2 * m * m)) for sign, (m, v) in zip((-1, 1), parts, strict=True))
    half = Z * sqrt(sum(v / (m * m) for m, v in parts))
    return ratio, (ratio - half, ratio + half)


_NO_INTERVAL = Missing("no-interval-known", "No interval is known to hold for this index.")
_SHARE = "from 0 to 1; 0.5 where nothing changed"


def indices(a: Values, b: Values, better: Better, times: Values | None = None, *, ratio: bool = True) -> list[Index]:
    """Every index of two phases, with the values as measured. `ratio` tells whether 0 means none of what was measured.

    Each is `Missing` where a phase has fewer than `LEAST` values, or the measure has no better side.
    """
    before, after = oriented(a, better), oriented(b, better)
    why = _why_none(a, b, better)
    one = None if why else nap_interval(before, after)
    pairs: list[tuple[str, str, Callable[[], float], tuple[float, float] | Missing, str, str]] = [
        ("nap", "Non-overlap of all pairs", lambda: nap(before, after), one or _NO_INTERVAL, _SHARE,
         "Parker & Vannest 2009; interval Newcombe 2006, method 5"),
        ("tau", "Tau (non-overlap)", lambda: tau(before, after),
         (2 * one[0] - 1, 2 * one[1] - 1) if one else _NO_INTERVAL, "from -1 to 1; 0 where nothing changed",
         "Parker et al. 2011; interval from that of NAP"),
        ("pnd", "Share beyond the best earlier value", lambda: pnd(before, after), _NO_INTERVAL,
         "from 0 to 1; rests on one extreme value", "Scruggs, Mastropieri & Casto 1987"),
        ("pem", "Share beyond the earlier median", lambda: pem(before, after), _NO_INTERVAL, _SHARE, "Ma 2006"),
        ("tau-u", "Tau-U", lambda: tau_u(before, after), _NO_INTERVAL,
         "Tau less the trend of the earlier phase; can leave -1 to 1", "Parker, Vannest, Davis & Sauber 2011"),
        ("baseline-corrected-tau", "Baseline-corrected Tau", lambda: baseline_corrected_tau(before, after, times),
         _NO_INTERVAL, "Kendall's tau-b beyond the trend of the earlier phase", "Tarlow 2017"),
    ]  # fmt: skip
    found = [
        Index(name, title, why or value(), why or interval, meaning, source)
        for name, title, value, interval, meaning, source in pairs
    ]
    return [*found, _response_ratio(a, b, None if ratio else _NO_RATIO, why)]


_NO_RATIO = Missing("no-ratio", "The measure has no zero that means none: its values have no ratio.")


def _why_none(a: Values, b: Values, better: Better) -> Missing | None:
    if min(len(a), len(b)) < LEAST:
        return Missing("too-few-visits", f"{len(a)} and {len(b)} visits; {LEAST} of each phase are needed.")
    if better == "unstated":
        return Missing("no-better-side", "The measure has no better side of its own.")
    return None


def _response_ratio(a: Values, b: Values, no_ratio: Missing | None, why: Missing | None) -> Index:
    few = why if why and why.rule == "too-few-visits" else None
    found = no_ratio or few or log_response_ratio(a, b)
    value, interval = (found, found) if isinstance(found, Missing) else found
    meaning = "logarithm of the later mean over the earlier one"
    if not isinstance(value, Missing):
        meaning += f": {100 * exp(min(value, 50.0)):.0f}% of it"
    return Index(
        "log-response-ratio", "Log response ratio", value, interval, meaning, "Pustejovsky 2018; normal interval"
    )
