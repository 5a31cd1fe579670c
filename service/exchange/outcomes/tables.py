"""The answers as tables, each with what its columns mean. Numbers have four decimals; what has none says why."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any, NamedTuple

from service.domain.metric import Missing
from service.domain.outcomes.answers import Outcomes, Reached
from service.domain.outcomes.clustered import Mean
from service.domain.outcomes.lines import NOTE, Counts, Step
from service.domain.outcomes.survival import RESAMPLES
from service.domain.units import rounded

Cells = dict[str, Any]
_LINE = {
    "patient": "Name in the study",
    "side": "Hand",
    "digit": "Digit; empty for what is measured of the hand",
    "part": "Part that was measured",
}
_SAID = {"note": "What these numbers are not"}
_COUNTS = {"patients": "Patients behind the number", "hands": "Hands", "digits": "Digits; 0 for measures of the hand"}


class Column(NamedTuple):
    """A column as writers of tables take it."""

    name: str
    type: str = "string"
    collection: bool = False


class Table(NamedTuple):
    """Name of the file, meaning of each column, and the rows made of the answers."""

    name: str
    meanings: Mapping[str, str]
    rows: Callable[[Outcomes], Iterator[Cells]]


def _told(number: float | Missing | None) -> Decimal | None:
    return None if number is None or isinstance(number, Missing) else rounded(Fraction(number), 4)


def _ends(interval: tuple[float, float] | Missing) -> tuple[Decimal | None, Decimal | None]:
    return (None, None) if isinstance(interval, Missing) else (_told(interval[0]), _told(interval[1]))


def _why(*found: object) -> str:
    return " ".join(dict.fromkeys(each.reason for each in found if isinstance(each, Missing)))


def _counted(counts: Counts) -> Cells:
    return {"patients": counts.patients, "hands": counts.hands, "digits": counts.digits}


def _stretches(found: Outcomes) -> Iterator[Cells]:
    for rated in found.rated:
        stretch = rated.stretch
        worn = [" ".join(f"{name}={code}" for name, code in facets) for facets in stretch.worn]
        yield {
            "patient": stretch.patient,
            "side": stretch.side,
            "digit": stretch.digit,
            "part": stretch.part,
            "stretch": stretch.number,
            "stage": stretch.stage,
            "worn": " and ".join(worn),
            "since": stretch.since,
            "until": stretch.until,
            "visits": len(stretch.points),
            "first": _told(stretch.points[0][1]),
            "last": _told(stretch.points[-1][1]),
            "slope": _told(rated.slope),
            "gain": _told(rated.gain),
            "why_none": _why(rated.slope, rated.gain),
        }


def _summaries(found: Outcomes) -> Iterator[Cells]:
    for each in found.summaries:
        for what, counts, mean in (("slope", each.rated, each.slope), ("gain", each.gained, each.gain)):
            yield {
                "by": each.by,
                "group": each.group,
                "of": what,
                "stretches": each.stretches,
                **_counted(counts),
                **_mean(mean),
                "note": NOTE,
            }


def _mean(found: Mean | Missing) -> Cells:
    names = ("mean", "low", "high", "median", "lower_quartile", "upper_quartile")
    if isinstance(found, Missing):
        return {**dict.fromkeys(names), "why_none": found.reason}
    numbers = (_told(found.value), *_ends(found.interval), _told(found.median), *_ends(found.quartiles))
    return {**dict(zip(names, numbers, strict=True)), "why_none": _why(found.interval)}


def _milestone(found: Outcomes) -> Iterator[Cells]:
    if found.reached:
        yield from _curves(found.reached)


def _curves(reached: Reached) -> Iterator[Cells]:
    beside = {"value": _told(reached.value), "better": reached.better, **_counted(reached.counts), "note": NOTE}
    none = dict.fromkeys(("after", "by", "at_risk", "reaching", "share", "reached", "low", "high"))
    for fall in reached.falls:
        low, high = _ends(fall.interval)
        own = {"by": int(fall.day), "at_risk": fall.at_risk, "reaching": fall.reaching, "reached": _told(fall.reached)}
        why = _why(fall.interval)
        yield {"estimate": "kaplan-meier", **none, **own, "low": low, "high": high, "why_none": why, **beside}
    if isinstance(reached.masses, Missing):
        yield {"estimate": "interval-censored", **none, "why_none": reached.masses.reason, **beside}
        return
    total, around = 0.0, iter([] if isinstance(reached.around, Missing) else reached.around)
    for mass in reached.masses:
        total += mass.share
        ends = next(around, None) if mass.high is not None else None
        own = {"after": int(mass.low), "by": None if mass.high is None else int(mass.high), "share": _told(mass.share)}
        own |= {"reached": None if mass.high is None else _told(total)}
        own |= {"low": _told(ends[0]), "high": _told(ends[1])} if ends else {}
        yield {"estimate": "interval-censored", **none, **own, "why_none": _why(reached.around), **beside}


def _effects(found: Outcomes) -> Iterator[Cells]:
    for each in found.pooling:
        for one in each.effects:
            yield {
                "effect": each.name,
                "patient": one.patient,
                "lines": one.lines,
                "value": _told(one.effect),
                "error": _told(one.error),
            }


def _pooled(found: Outcomes) -> Iterator[Cells]:
    names = ("mean", "low", "high", "another_low", "another_high", "tau2", "i2", "q")
    for each in found.pooling:
        numbers: Cells = dict.fromkeys(names)
        if not isinstance(each.pooled, Missing):
            pool = each.pooled
            told = (_told(pool.mean), *_ends(pool.interval), *_ends(pool.another), _told(pool.tau2), _told(pool.i2))
            numbers = dict(zip(names, (*told, _told(pool.q)), strict=True))
        unused = [f"{number} lines: {reason}" for reason, number in each.none.items()]
        whys = [_why(each.pooled, getattr(each.pooled, "another", None)), *unused]
        yield {
            "effect": each.name,
            "meaning": each.meaning,
            **_counted(each.counts),
            **numbers,
            "why_none": " ".join(filter(None, whys)),
            "note": NOTE,
        }


def _flow(found: Outcomes) -> Iterator[Cells]:
    for question, steps in found.steps.items():
        yield from (_step(question, each) for each in steps)


def _step(question: str, step: Step) -> Cells:
    left = {f"left_out_{name}": number for name, number in _counted(step.left_out).items()}
    rest = {f"remaining_{name}": number for name, number in _counted(step.remaining).items()}
    return {"question": question, "what": step.what, **left, **rest}


_WHY = {"why_none": "Why a number or an interval is missing"}
TABLES = (
    Table("stretches", {
        **_LINE,
        "stretch": "Its number within the line",
        "stage": "none: no orthosis on record; before any, with one (orthosis), or after one",
        "worn": "Facets of each orthosis that was to be worn",
        "since": "Day on which it began; days count from the first visit",
        "until": "Day on which the next began; empty for the last",
        "visits": "Days with a value",
        "first": "First value, in the unit of the measure",
        "last": "Last value",
        "slope": "Units a week: median of the slopes of all pairs of visits (Theil-Sen)",
        "gain": "Last value less the last one before it began",
        **_WHY,
    }, _stretches),
    Table("summaries", {
        "by": "stage, or the facet of the orthosis",
        "group": "The stage, or the code of the facet",
        "of": "slope or gain, as in stretches",
        "stretches": "Stretches of the group, with or without such a number",
        **_COUNTS,
        "mean": "Mean over stretches",
        "low": "Lower end of its interval at 95%, over patients (sandwich estimator, t)",
        "high": "Upper end",
        "median": "Median",
        "lower_quartile": "Lower quartile",
        "upper_quartile": "Upper quartile",
        **_WHY, **_SAID,
    }, _summaries),
    Table("milestone", {
        "estimate": "kaplan-meier: the first visit at the milestone is its day; interval-censored: it lies between two",
        "after": "The milestone was reached after this day, counted from the first reading of the line",
        "by": "and by this day; empty: not known to be reached",
        "at_risk": "Lines not yet at the milestone, and still followed",
        "reaching": "Lines first seen at it on this day",
        "share": "Share that reached it between the two days",
        "reached": "Share that has reached it by the second day",
        "low": "Lower end of its interval at 95%: by patient (Kaplan-Meier), or percentile of "
               f"{RESAMPLES} draws of patients (interval-censored)",
        "high": "Upper end",
        **_WHY,
        "value": "The milestone",
        "better": "more or less: on which side of the milestone it is reached",
        **_COUNTS, **_SAID,
    }, _milestone),
    Table("effects", {
        "effect": "Which",
        "patient": "Name in the study",
        "lines": "Digits or hands that it is the mean of",
        "value": "The effect",
        "error": "Its standard error: the mean of those of its lines",
    }, _effects),
    Table("pooled", {
        "effect": "Which",
        "meaning": "What it is",
        **_COUNTS,
        "mean": "Mean over patients (DerSimonian-Laird)",
        "low": "Lower end of its interval at 95% (Hartung-Knapp, factor not below 1)",
        "high": "Upper end",
        "another_low": "Lower end of where the effect in another patient lies at 95% (prediction interval)",
        "another_high": "Upper end",
        "tau2": "Variance of the effects between patients",
        "i2": "Share of the spread that is not error of the single effects, 0 to 1",
        "q": "Cochran's Q",
        **_WHY, **_SAID,
    }, _pooled),
    Table("flow", {
        "question": "rates, effects or milestone",
        "what": "Why some were left out",
        **{f"left_out_{name}": f"{name} wholly left out" for name in _COUNTS},
        **{f"remaining_{name}": f"{name} that remain" for name in _COUNTS},
    }, _flow),
)  # fmt: skip
