"""What is asked of the lines of a release: rates by stage and by facet, time to a milestone, pooled effects."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from service.domain.change.segmented import LEAST
from service.domain.change.trend import FEWEST_FOR_SLOPE, line_through
from service.domain.metric import Missing
from service.domain.outcomes.clustered import Mean, mean_of
from service.domain.outcomes.effects import EFFECTS, Case, PatientEffect, by_patient, case_of
from service.domain.outcomes.lines import Counts, Line, Step, Way, counts_of
from service.domain.outcomes.pooling import Pooled, pooled
from service.domain.outcomes.stretches import STAGES, Stretch, Wearing, stretches_of
from service.domain.outcomes.survival import Fall, Mass, Seen, around_turnbull, kaplan_meier, turnbull

Better = Literal["more", "less"]
SEVERAL = "several orthoses at once"


@dataclass(frozen=True, slots=True)
class Rated:
    """A stretch with its rate, units a week (Theil-Sen), and its gain: last reading less the last before it began."""

    stretch: Stretch
    slope: float | Missing
    gain: float | Missing


@dataclass(frozen=True, slots=True)
class Summary:
    """Stretches of one group across patients: what they are of, their rates and gains."""

    by: str
    group: str
    stretches: int
    rated: Counts
    slope: Mean | Missing
    gained: Counts
    gain: Mean | Missing


@dataclass(frozen=True, slots=True)
class Reached:
    """Time from the first reading of a line to the first at or beyond `value`, by both estimates."""

    value: float
    better: Better
    counts: Counts
    falls: list[Fall]
    masses: list[Mass] | Missing
    around: list[tuple[float, float]] | Missing
    steps: list[Step]


@dataclass(frozen=True, slots=True)
class Pooling:
    """One effect pooled over patients; `none` counts the lines without one, by reason."""

    name: str
    meaning: str
    counts: Counts
    effects: list[PatientEffect]
    pooled: Pooled | Missing
    none: dict[str, int]


@dataclass(frozen=True, slots=True)
class Outcomes:
    """Every answer. `steps` is how many dropped out by question; `reached` is None where no milestone was asked for."""

    rated: list[Rated]
    summaries: list[Summary]
    reached: Reached | None
    pooling: list[Pooling]
    steps: dict[str, list[Step]] = field(default_factory=dict)


def outcomes_of(
    lines: Sequence[Line], wearings: Sequence[Wearing], better: Better, milestone: float | None, seed: int
) -> Outcomes:
    """Answer everything over these lines; `seed` starts the draws behind the interval-censored estimate's interval."""
    by_patient: dict[str, list[Wearing]] = {}
    for each in wearings:
        by_patient.setdefault(each.patient, []).append(each)
    cut = {line: stretches_of(line, by_patient.get(line.patient, ())) for line in lines}
    rated = [rate(each) for stretches in cut.values() for each in stretches if each.points]
    slopes, cases = Way(), Way()
    slopes.keep(lines, f"no stretch of one treatment with {FEWEST_FOR_SLOPE} visits", lambda line: _is_rated(cut[line]))
    with_one = cases.keep(lines, "no orthosis on record that concerns it", lambda line: _has_orthosis(cut[line]))
    few = f"fewer than {LEAST} visits before the first orthosis, or during it"
    enough = cases.keep(with_one, few, lambda line: case_of(cut[line]) is not None)
    found = [case for line in enough if (case := case_of(cut[line]))]
    reached = None if milestone is None else time_to(lines, milestone, better, seed)
    steps = {"rates": slopes.steps, "effects": cases.steps}
    return Outcomes(
        rated=rated,
        summaries=list(summaries_of(rated)),
        reached=reached,
        pooling=[_pooling(name, found) for name in EFFECTS],
        steps=steps | ({"milestone": reached.steps} if reached else {}),
    )


def _is_rated(stretches: Iterable[Stretch]) -> bool:
    return any(len(each.points) >= FEWEST_FOR_SLOPE for each in stretches)


def _has_orthosis(stretches: Iterable[Stretch]) -> bool:
    return any(each.stage == "orthosis" for each in stretches)


def rate(stretch: Stretch) -> Rated:
    """The rate and the gain of a stretch, each or why it has none."""
    points = stretch.points
    few = Missing("too-few-visits", f"{len(points)} visits have a value; a slope needs {FEWEST_FOR_SLOPE}.")
    fit = line_through([[(day / 7, value) for day, value in points]]) if len(points) >= FEWEST_FOR_SLOPE else None
    none = Missing("no-reading-before", "There is no reading before it began.")
    gain = points[-1][1] - stretch.start[1] if stretch.start and points else none
    return Rated(stretch, fit.slope if fit else few, gain)


def summaries_of(rated: Sequence[Rated]) -> Iterator[Summary]:
    """By stage; then, of stretches with an orthosis, by each facet and its codes."""
    for stage, words in STAGES.items():
        yield _summary("stage", words, [each for each in rated if each.stretch.stage == stage])
    worn = [each for each in rated if each.stretch.worn]
    names = dict.fromkeys(name for each in worn for facets in each.stretch.worn for name, _ in facets)
    for name in names:
        groups: dict[str, list[Rated]] = {}
        for each in worn:
            groups.setdefault(each.stretch.facets.get(name, SEVERAL), []).append(each)
        for code in sorted(groups):
            yield _summary(name, code, groups[code])


def _summary(by: str, group: str, rated: Sequence[Rated]) -> Summary:
    slopes = [(each.stretch, each.slope) for each in rated if not isinstance(each.slope, Missing)]
    gains = [(each.stretch, each.gain) for each in rated if not isinstance(each.gain, Missing)]
    return Summary(
        by=by,
        group=group,
        stretches=len(rated),
        rated=counts_of([stretch for stretch, _ in slopes]),
        slope=mean_of([(stretch.patient, slope) for stretch, slope in slopes]),
        gained=counts_of([stretch for stretch, _ in gains]),
        gain=mean_of([(stretch.patient, gain) for stretch, gain in gains]),
    )


def time_to(lines: Sequence[Line], value: float, better: Better, seed: int) -> Reached:
    """Days from the first reading of each line to the milestone; lines that are there at once are no part of it."""
    way = Way()
    beyond = _beyond(value, better)
    later = way.keep(lines, "at the milestone at the first reading", lambda line: not beyond(line.points[0][1]))
    followed = way.keep(later, "no second reading", lambda line: len(line.points) > 1)
    seen = [_seen(line, beyond) for line in followed]
    masses = turnbull(seen)
    days = [] if isinstance(masses, Missing) else [mass.high for mass in masses if mass.high is not None]
    around = around_turnbull(seen, days, seed) if days else Missing("none", "No line was seen to reach it.")
    return Reached(value, better, counts_of(seen), kaplan_meier(seen), masses, around, way.steps)


def _beyond(value: float, better: Better) -> Callable[[float], bool]:
    return (lambda found: found >= value) if better == "more" else (lambda found: found <= value)


def _seen(line: Line, beyond: Callable[[float], bool]) -> Seen:
    first = line.points[0][0]
    at = next((n for n, (_, value) in enumerate(line.points) if beyond(value)), None)
    if at is None:
        return Seen(line.patient, line.side, line.digit, line.points[-1][0] - first, None)
    before, day = line.points[at - 1][0], line.points[at][0]
    return Seen(line.patient, line.side, line.digit, before - first, day - first)


def _pooling(name: str, cases: Sequence[Case]) -> Pooling:
    meaning, effect = EFFECTS[name]
    effects, none = by_patient(cases, effect)
    counted = counts_of([case for case in cases if case.patient in {each.patient for each in effects}])
    found = pooled([each.effect for each in effects], [each.error**2 for each in effects])
    return Pooling(name, meaning, counted, effects, found, none)
