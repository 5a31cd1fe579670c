"""Response to the orthosis, a course in short, nerves and review points, as tables and short statements."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from service.commands.change_tables import (
    NONE,
    add_row,
    amount_of,
    name_of,
    print_last,
    print_opening,
    rate_of,
    table_of,
    value_of,
    verdict_of,
)
from service.domain.change.carry_over import STATES
from service.domain.change.course_summary import LineSummary, Milestone, Period
from service.domain.change.response import Decay, Response
from service.domain.change.touch_zones import SharedZones, Zones
from service.domain.metric import Missing
from service.usecases.follow_up import ToldCourse, ToldNerves, ToldResponse
from service.usecases.review import ToldReview

NO_RESPONSE = "Nothing of this patient was read in an orthosis or just out of one here."
NO_NERVE = "No repair of a nerve is on record here, and no sign of one."
NO_POINT = "There is nothing to point at that nobody has acknowledged."


def print_response(out: Console, found: ToldResponse) -> None:
    """The gains side by side, what carries over, what was left after removal; then movement patterns."""
    print_opening(out, found)
    for each in found.answer:
        _print_gains(out, each)
    for pattern in found.patterns:
        out.print(f"{pattern.site.name}, {pattern.words}", markup=False)
    if not found.answer and not found.patterns:
        out.print(NO_RESPONSE)
    print_last(out, found)


def _print_gains(out: Console, response: Response) -> None:
    table = table_of(f"{response.site.name}, {response.title} ({response.unit})", "state", "from", "to", "change", "")
    for gain in response.gains:
        change = gain.change
        ends = (value_of(change.earlier), value_of(change.later))
        add_row(table, STATES[gain.state], *ends, amount_of(change), verdict_of(change))
    out.print(table if response.gains else f"{response.site.name}, {response.title}: no usable reading")
    for told in (*(carry.words for carry in response.carry_over), *map(_decay, response.decay), *response.notes):
        out.print(f"  {told}", markup=False)


def _decay(decay: Decay) -> str:
    at_once = f"from just out to free {amount_of(decay.at_once)} ({verdict_of(decay.at_once)})"
    after = f"free since then {amount_of(decay.after)} ({verdict_of(decay.after)})"
    return f"{decay.orthosis} came off on {decay.removed.isoformat()}: {at_once}; {after}"


def print_course(out: Console, found: ToldCourse) -> None:
    """Visits of the course and of the time before, then each measure with its milestones."""
    print_opening(out, found)
    answer = found.answer
    out.print(answer.course.reason if isinstance(answer.course, Missing) else f"Course: {answer.course.reason or '-'}")
    for name, period in (("in it", answer.period), ("before it", answer.before)):
        out.print(f"{name.capitalize()}: {_period(period)}", markup=False)
    for line in answer.lines:
        _print_line(out, line)
    if not answer.lines:
        out.print(NONE)
    print_last(out, found)


def _period(period: Period) -> str:
    if not period.visits:
        return "no visit with a reading"
    span = f"{period.since} to {period.until}, {period.visits} visits"
    return f"{span}, {period.a_week.reason if isinstance(period.a_week, Missing) else f'{period.a_week:f} a week'}"


def _print_line(out: Console, line: LineSummary) -> None:
    table = table_of(name_of(line.trajectory, full=True), "baseline", "best", "last", "change", "rate", "rate before")
    values = (value_of(line.baseline), value_of(line.best), value_of(line.last))
    change = f"{amount_of(line.change)}: {verdict_of(line.change)}"
    add_row(table, *values, change, rate_of(line.rate), rate_of(line.rate_before))
    out.print(table)
    for milestone in line.milestones:
        out.print(f"  {_milestone(milestone)}", markup=False)


def _milestone(milestone: Milestone) -> str:
    target = "" if isinstance(milestone.value, Missing) else f" ({milestone.value:f})"
    if isinstance(milestone.reached, Missing) or isinstance(milestone.days, Missing):
        why = milestone.reached.reason if isinstance(milestone.reached, Missing) else ""
        return f"{milestone.what}{target}: {why}"
    held = {True: "there at every visit since", False: "not there at every visit since", None: "no visit since"}
    return f"{milestone.what}{target}: {value_of(milestone.reached)}, {milestone.days} days; {held[milestone.held]}"


def print_nerves(out: Console, found: ToldNerves) -> None:
    """Each nerve: its repair, its sign, its zones."""
    print_opening(out, found)
    for nerve in found.answer:
        out.print(Text(nerve.nerve.name, style="bold"))
        repair = nerve.repair
        if isinstance(repair, Missing):
            out.print(f"  {repair.reason}", markup=False)
        else:
            level = repair.level or "level not recorded"
            out.print(f"  {repair.what}, {repair.on.isoformat()}, {level}: {repair.days} days ago", markup=False)
        told = [f"from {sign.landmark}: {sign.words}" for sign in nerve.signs]
        for each in (*told, _zones(nerve.zones), _zones(nerve.steps), *nerve.notes):
            out.print(f"  {each}", markup=False)
    if not found.answer:
        out.print(NO_NERVE)
    print_last(out, found)


def _zones(zones: Zones | SharedZones | Missing) -> str:
    return zones.reason if isinstance(zones, Missing) else zones.words


def print_review(out: Console, found: ToldReview) -> None:
    """The points with their marks, then how many are not shown, and why."""
    print_opening(out, found)
    answer = found.answer
    for point in answer.points:
        out.print(Text.assemble((f"{point.mark}  ", "dim"), point.statement))
        out.print(f"  {point.caution}", markup=False, style="italic")
    if not answer.points:
        out.print(NO_POINT)
    hidden = {
        "acknowledged": answer.quiet,
        "at a part under a precaution": answer.under_precaution,
        "beyond the number shown at once": answer.beyond_number,
    }
    for why, number in hidden.items():
        if number:
            out.print(f"{number} not shown: {why}")
    print_last(out, found)
