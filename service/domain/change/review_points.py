"""Review points: short statements of what the numbers show, for whoever looks at the patient next.

Each has the numbers that made it and a caution. None says what is to be done. Where a precaution in force touches the
part, nothing about its change is pointed at. A red flag that nobody answered is pointed at all the same: it is no
change, and a precaution is no answer to it. A point has a mark, made of what it says and rests on: once acknowledged it
is quiet until either changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from hashlib import sha256

from service.domain.anatomy import SIDES, Site
from service.domain.change.answers import Changed, Opposite, Trending, changes_of
from service.domain.change.comparable import Input, Point, Trajectory
from service.domain.change.course_summary import reaches, side_of
from service.domain.change.nerve_follow_up import NerveFollowUp
from service.domain.change.patterns import PatternResponse
from service.domain.change.phases import concerns
from service.domain.change.response import Response, Worn
from service.domain.change.verdict import WORDS, count
from service.domain.field import UNKNOWN
from service.domain.goals import Goal
from service.domain.metric import Missing
from service.domain.orthosis.naming import descriptive_name
from service.domain.precautions import Precaution, touching
from service.domain.units import rounded

MOST = 5
"""As many points of one patient are shown at once, unless the clinic sets another number: a rule of this record."""
RULES: dict[str, str] = {
    "red-flag": "A check of skin and circulation was entered as red flag, and no answer is on record.",
    "protective-sensation": "An orthosis is worn where protective sensation was lost when last tested.",
    "headline-worse": "The measure of a goal, or total active motion, is worse beyond error.",
    "opposite-worse": "One direction of a joint gained beyond error, and the other lost beyond error.",
    "more-worse-than-error": "More single readings are worse beyond error than error alone would show.",
    "does-not-carry-over": "A gain in the orthosis, or just out of it, does not carry over.",
    "pattern-not-carried": "A movement pattern changed in the orthosis, and is the same free.",
    "losing": "The measure of a goal, or total active motion, is losing by its latest visits.",
    "plateau": "The measure of a goal, or total active motion, is on a plateau by its latest visits.",
    "goal-day-passed": "The day of a goal has passed, and its target was not reached when last measured.",
}
"""The rules by which a point is made, safety first: this is their order of rank."""
CAUTION = "The numbers inform; they prescribe nothing."
_ERROR = "The error is published for other people than this one. " + CAUTION
_SKIN = "Where feeling is lost, pain is no warning. " + CAUTION
_FLAG = "What was done may not have been written down. " + CAUTION
_DURING = "What happened while an orthosis was worn is not thereby its effect. " + CAUTION


@dataclass(frozen=True, slots=True)
class ReviewPoint:
    """One statement. `numbers` are those that made it, `rests_on` what it was made of; `mark` names all of it.

    A reading that is signed has a new version and the same value: that makes no new mark.
    """

    rule: str
    site: Site
    statement: str
    numbers: Mapping[str, object]
    caution: str
    rests_on: tuple[str, ...]
    mark: str = field(init=False)

    def __post_init__(self) -> None:
        """Derive the mark."""
        told = "\n".join([self.rule, self.site.code, self.statement, *sorted(self.rests_on)])
        object.__setattr__(self, "mark", sha256(told.encode()).hexdigest()[:16])


@dataclass(frozen=True, slots=True)
class ReviewPoints:
    """Those shown, and how many are not: acknowledged, at a part under a precaution, or beyond the number shown."""

    points: tuple[ReviewPoint, ...]
    quiet: int
    under_precaution: int
    beyond_number: int


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that points are made from."""

    trajectories: Sequence[Trajectory]
    goals: Sequence[Goal]
    trending: Sequence[Trending]
    responses: Sequence[Response]
    patterns: Sequence[PatternResponse]
    nerves: Sequence[NerveFollowUp]
    worn: Worn
    today: date


def review(
    evidence: Evidence, precautions: Sequence[Precaution], acknowledged: Iterable[str] = (), most: int = MOST
) -> ReviewPoints:
    """The points of one patient, safety first, at most so many."""
    order = list(RULES)
    made = {point.mark: point for point in sorted(points_of(evidence), key=lambda p: order.index(p.rule))}
    silent = {m for m, p in made.items() if _silenced(p, precautions, evidence.today)}
    quiet = made.keys() & set(acknowledged) - silent
    shown = [point for mark, point in made.items() if mark not in silent | quiet]
    return ReviewPoints(tuple(shown[:most]), len(quiet), len(silent), max(len(shown) - most, 0))


def _silenced(point: ReviewPoint, precautions: Sequence[Precaution], day: date) -> bool:
    return point.rule != "red-flag" and bool(touching(precautions, point.site, day))


def points_of(evidence: Evidence) -> Iterable[ReviewPoint]:
    """Every point that the evidence makes, in no order."""
    yield from _red_flags(evidence)
    yield from _protective_sensation(evidence)
    yield from _worse(evidence)
    yield from _not_carried(evidence)
    yield from _standing(evidence)


def _red_flags(evidence: Evidence) -> Iterable[ReviewPoint]:
    for episode, life in evidence.worn:
        if life.state == "entered-in-error":
            continue
        name = episode.name or descriptive_name(life.design)
        site = Site(life.design.side, life.design.digits[0] if len(life.design.digits) == 1 else "hand")
        for event in life.unanswered:
            findings = dict(event.check.findings) if event.check else {}
            statement = f"{name}: the check of {event.day.isoformat()} is a red flag without an answer on record"
            rests_on = (f"orthosis {episode.id} event {event.place}",)
            yield ReviewPoint("red-flag", site, statement, {"findings": findings}, _FLAG, rests_on)


def _protective_sensation(evidence: Evidence) -> Iterable[ReviewPoint]:
    seen: set[Site] = set()
    for nerve in evidence.nerves:
        for zone in nerve.zones.beyond if not isinstance(nerve.zones, Missing) else ():
            over = [e for e, life in evidence.worn if life.worn and concerns(life.design, zone.site)]
            if not over or zone.site in seen:
                continue
            seen.add(zone.site)
            names = ", ".join(e.name or descriptive_name(e.design) for e in over)
            statement = (
                f"{names} is worn; the {zone.site.name} felt {zone.marking.replace('-', ' ')} on"
                f" {zone.day.isoformat()}, which is {zone.category.replace('-', ' ')}"
            )
            rests_on = (*_named(zone.inputs), *(f"orthosis {e.id}" for e in over))
            numbers = {"marking": zone.marking, "day": zone.day}
            yield ReviewPoint("protective-sensation", zone.site, statement, numbers, _SKIN, rests_on)


def _worse(evidence: Evidence) -> Iterable[ReviewPoint]:
    answer = changes_of(evidence.trajectories, evidence.goals)
    headline = [answer.changes[place] for place in answer.headline]
    told = [each for each in headline if each.change.verdict == "worse"]
    yield from (_of_change("headline-worse", each) for each in told)
    for each in answer.changes:
        if each.change.verdict == "worse" and each not in told and _gained(each.opposite):
            told.append(each)
            yield _of_change("opposite-worse", each)
    yield from _many_worse([each for each in answer.changes if each not in told])


def _gained(opposite: Opposite | Missing) -> bool:
    return isinstance(opposite, Opposite) and opposite.words.startswith(WORDS["improved"])


def _of_change(rule: str, each: Changed) -> ReviewPoint:
    change, line = each.change, each.trajectory
    ends = [end for end in (change.earlier, change.later) if isinstance(end, Point)]
    since = ends[0].day.isoformat()
    statement = f"{_name(line)}: {_amount(change.amount, line)} since {since}, {change.words}"
    if isinstance(each.opposite, Opposite):
        other = each.opposite
        statement += f"; {other.measure.replace('-', ' ')}: {_amount(other.amount, line)}, {other.words}"
    numbers = {"amount": change.amount, "limit": change.limit, "opposite": each.opposite}
    return ReviewPoint(rule, line.site, statement, numbers, _ERROR, _of_points(ends))


def _amount(amount: Decimal | Missing, line: Trajectory) -> str:
    return "change not known" if isinstance(amount, Missing) else f"{rounded(Fraction(amount), 1):+f} {line.unit}"


def _many_worse(changes: Sequence[Changed]) -> Iterable[ReviewPoint]:
    """By side, where more single readings are worse than as many without any change would show."""
    sides: dict[str, list[Changed]] = {}
    for each in changes:
        if each.trajectory.site.side in SIDES:
            sides.setdefault(each.trajectory.site.side, []).append(each)
    for side, of_side in sides.items():
        numbers = count([(each.trajectory, each.change) for each in of_side])
        if numbers.worse <= numbers.by_error_alone:
            continue
        worse = [c for c in of_side if c.change.verdict == "worse" and not c.trajectory.is_metric]
        named = ", ".join(_name(each.trajectory) for each in worse)
        statement = (
            f"{numbers.worse} of {numbers.series} single readings of the {side} side are worse beyond error since"
            f" their first visit, where error alone would show up to {numbers.by_error_alone}: {named}"
        )
        ends = [end for c in worse for end in (c.change.earlier, c.change.later) if isinstance(end, Point)]
        site = worse[0].trajectory.site.on("hand")
        yield ReviewPoint("more-worse-than-error", site, statement, {"count": numbers}, _ERROR, _of_points(ends))


def _not_carried(evidence: Evidence) -> Iterable[ReviewPoint]:
    for response in evidence.responses:
        changes = {gain.state: gain.change for gain in response.gains}
        for carry in response.carry_over:
            if carry.finding != "does-not-carry-over":
                continue
            statement = f"{response.title} of the {response.site.name}: {carry.words}"
            ends = [
                e for state in (carry.inside, carry.outside) for e in (changes[state].earlier, changes[state].later)
            ]
            numbers = {"share": carry.share, "interval": carry.interval}
            rests_on = _of_points(end for end in ends if isinstance(end, Point))
            yield ReviewPoint("does-not-carry-over", response.site, statement, numbers, _DURING, rests_on)
    for pattern in evidence.patterns:
        if pattern.not_carried:
            seen = [*pattern.first.values(), *pattern.last.values()]
            rests_on = tuple(dict.fromkeys(name for each in seen for name in _named(each.inputs)))
            statement = f"{pattern.site.name}, {pattern.words}"
            yield ReviewPoint("pattern-not-carried", pattern.site, statement, {}, _DURING, rests_on)


def _standing(evidence: Evidence) -> Iterable[ReviewPoint]:
    for each in evidence.trending:
        line, standing = each.trajectory, each.standing
        points = line.between(each.since).points
        if standing.answer in ("losing", "plateau"):
            statement = f"{_name(line)}, {each.window}: {standing.answer}. {standing.because}"
            numbers = {"slope": standing.trend.slope, "interval": standing.trend.allowed}
            yield ReviewPoint(standing.answer, line.site, statement, numbers, CAUTION, _of_points(points))
        yield from _days_passed(each, evidence.today)


def _days_passed(each: Trending, today: date) -> Iterable[ReviewPoint]:
    line = each.trajectory
    if not side_of(line):
        return
    for aim in each.aims:
        if aim.due and aim.due < today and not reaches(line, aim, line.points[-1]):
            last = line.points[-1]
            statement = (
                f"{_name(line)}: the day of the goal '{aim.what}' was {aim.due.isoformat()}; its target is"
                f" {_told(aim.value)} {line.unit}, the last value {_told(last.value)} on {last.day.isoformat()}"
            )
            numbers = {"target": aim.value, "last": last.value}
            yield ReviewPoint("goal-day-passed", line.site, statement, numbers, CAUTION, _of_points([last]))


def _name(line: Trajectory) -> str:
    mode = line.conditions.get("mode", "")
    return f"{line.title}{f' ({mode})' if mode and mode != UNKNOWN else ''} of the {line.site.name}"


def _told(number: Decimal) -> str:
    """A number to a tenth at most."""
    return f"{rounded(Fraction(number), 1):f}"


def _of_points(points: Iterable[Point]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for point in points for name in _named(point.inputs)))


def _named(inputs: Iterable[Input]) -> tuple[str, ...]:
    return tuple(f"Observation/{each.id}" for each in inputs)
