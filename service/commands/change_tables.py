"""Change, trend and phases as tables. Every number stands beside its error, or the word that there is none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from itertools import groupby
from typing import Any, TypeVar

from rich.console import Console
from rich.table import Table
from rich.text import Text

from service.domain.change.answers import Changed, Trending
from service.domain.change.comparable import Point, Trajectory
from service.domain.change.phase_report import Contrast, Estimate, PhaseReport
from service.domain.change.phases import Dose
from service.domain.change.trend import Interval, Trend
from service.domain.change.verdict import WORDS, Change
from service.domain.field import UNKNOWN
from service.domain.metric import Missing
from service.printing import CAUTION
from service.usecases.change import Told, ToldChange, ToldPhases, ToldTrend

_ALWAYS_SAID = ("mode", "orthosis_state", "together")
"""Conditions without which a number of motion cannot be read: where one was not recorded, that is said."""
NONE = "No measure of this patient has a value here."
Row = TypeVar("Row", Changed, Trending)


def print_change(out: Console, found: ToldChange) -> None:
    """Every change by site, the headline first, then how many of how many, and how many error alone would show."""
    answer = found.answer
    print_opening(out, found)
    out.print(f"Compared with {answer.baseline}. Headline: {answer.headline_rule}.", markup=False)
    headline = [answer.changes[n] for n in answer.headline]
    rest = [each for each in answer.changes if not any(each is h for h in headline)]
    for title, rows in (("Headline", headline), *_by_site(rest)):
        table = table_of(title, "measure", "from", "to", "change", "verdict")
        for each in rows:
            change, name = each.change, name_of(each.trajectory, full=title == "Headline")
            add_row(
                table, name, value_of(change.earlier), value_of(change.later), amount_of(change), verdict_of(change)
            )
        if rows:
            out.print(table)
    print_asides(out, [each.trajectory for each in answer.changes])
    numbers = answer.count
    out.print(
        f"{numbers.beyond} of {numbers.series} single readings changed beyond error ({numbers.better} better, "
        f"{numbers.worse} worse); error alone would show up to {numbers.by_error_alone}. {numbers.without_error} have "
        "no published error: whether they changed by more than error cannot be told.",
        markup=False,
    )
    print_last(out, found)


def verdict_of(change: Change) -> str:
    """The verdict in words, and what changed around the two values."""
    elsewhere = isinstance(change.limit, Missing) and change.limit.rule == "published-elsewhere"
    plainly = change.verdict == "no-published-error" and not elsewhere
    words = WORDS["no-published-error"] if plainly else change.words
    return "; ".join([words, *change.changed])


def print_trend(out: Console, found: ToldTrend) -> None:
    """By site, the rate a week with the interval that decides, over all visits and lately, and where each stands."""
    print_opening(out, found)
    for title, rows in _by_site(found.answer):
        table = table_of(title, "measure", "all visits", "lately", "stands lately")
        for each in rows:
            more = each.standing.more_visits
            told = f"{each.standing.answer.replace('-', ' ')}: {each.standing.because}"
            told += f" {more} more visits at this spacing would tell." if isinstance(more, int) else ""
            add_row(table, name_of(each.trajectory), rate_of(each.whole), rate_of(each.standing.trend), told)
        out.print(table)
    print_asides(out, [each.trajectory for each in found.answer])
    for each in found.answer:
        _print_aims(out, each)
    for window in dict.fromkeys(each.window for each in found.answer):
        number = sum(each.window == window for each in found.answer)
        out.print(f"Lately, for {number} of {len(found.answer)} measures: {window}.", markup=False)
    for note in dict.fromkeys(note for each in found.answer for note in each.standing.trend.notes):
        out.print(f"Note: {note}.", markup=False)
    print_last(out, found)


def rate_of(trend: Trend) -> str:
    """The rate a week of so many visits, with the interval that verdicts rest on."""
    visits = f"{trend.visits} visit{'' if trend.visits == 1 else 's'}"
    if isinstance(trend.slope, Missing):
        return visits
    span = "no interval" if isinstance(trend.allowed, Missing) else _span(trend.allowed)
    return f"{visits}: {trend.slope:+f} a week ({span})"


def _print_aims(out: Console, each: Trending) -> None:
    for aim, day in zip(each.aims, each.projections, strict=True):
        if isinstance(day, Missing):
            told = f"no day can be projected. {day.reason}"
        else:
            latest = day.latest.date().isoformat() if day.latest else "later than can be told"
            told = f"at this rate between {day.earliest.date().isoformat()} and {latest}"
        out.print(f"Goal {aim.what} ({aim.value:f} {each.trajectory.unit}): {told}", markup=False)


def print_phases(out: Console, found: ToldPhases) -> None:
    """Each measure through the phases, and what differs from one phase to the next."""
    print_opening(out, found)
    for each in found.answer:
        table = table_of(name_of(each.trajectory, full=True), "during", "days", "visits", "median", "a week", "change")
        for phase in each.phases:
            slope = phase.trend.slope
            rate = "-" if isinstance(slope, Missing) else f"{slope:+f}"
            median = "-" if isinstance(phase.level, Missing) else f"{phase.level:f}"
            change = f"{amount_of(phase.change)}: {verdict_of(phase.change)}" if phase.visits else "-"
            add_row(table, _during(phase), str(phase.days), str(phase.visits), median, rate, change)
        out.print(table)
        for note in dict.fromkeys(f"{phase.label}: {note}" for phase in each.phases for note in phase.notes):
            out.print(f"  {note}", markup=False)
        for contrast in each.contrasts:
            _print_contrast(out, contrast)
    print_asides(out, [each.trajectory for each in found.answer])
    print_last(out, found)


def _during(phase: PhaseReport) -> str:
    until = f" to {phase.until.isoformat()}" if phase.until else " on"
    return "; ".join([f"{phase.label}, {phase.since.isoformat()}{until}", *map(_dose, phase.dose)])


def _dose(dose: Dose) -> str:
    prescribed = "no hours prescribed" if dose.prescribed is None else f"{dose.prescribed:f} h prescribed"
    worn = [f"{hours:f} h {source} on {dose.days_with_hours[source]} of {dose.days} days"
            for source, hours in dose.worn.items()]  # fmt: skip
    return ", ".join([prescribed, *worn])


def _print_contrast(out: Console, contrast: Contrast) -> None:
    out.print(f"  From {contrast.earlier} to {contrast.later}:", markup=False)
    numbers: dict[str, Decimal | Missing] = {
        "level": contrast.level_change.value,
        "rate a week": contrast.slope_change.value,
        **{index["title"]: index["value"] for index in contrast.indices},
    }
    told = [_estimate("level", contrast.level_change), _estimate("rate a week", contrast.slope_change)]
    told += [_index(index) for index in contrast.indices]
    reasons: dict[str, list[str]] = {}
    for name, number in numbers.items():
        if isinstance(number, Missing):
            reasons.setdefault(number.reason, []).append(name)
    if len(reasons) == 1 and not any(told):
        reasons = {reason: ["comparison"] for reason in reasons}
    told += [f"no {', '.join(names)}: {reason}" for reason, names in reasons.items()]
    for part in (*filter(None, told), *contrast.notes):
        out.print(f"    {part}", markup=False)


def _index(index: Mapping[str, Any]) -> str:
    value, interval = index["value"], index["interval"]
    if isinstance(value, Missing):
        return ""
    return f"{index['title']} {value:f} ({_span(interval) if isinstance(interval, Interval) else 'no interval known'})"


def _estimate(what: str, found: Estimate) -> str:
    if isinstance(found.value, Missing):
        return ""
    span = found.interval.reason if isinstance(found.interval, Missing) else _span(found.interval)
    return f"{what} changed by {found.value:+f} ({span})"


def _by_site(rows: Sequence[Row]) -> Iterable[tuple[str, list[Row]]]:
    """The rows of each site together, sites in the order in which they first come."""
    order = list(dict.fromkeys(each.trajectory.site for each in rows))
    ranked = sorted(rows, key=lambda each: order.index(each.trajectory.site))
    for site, of_site in groupby(ranked, key=lambda each: each.trajectory.site):
        yield site.name, list(of_site)


def table_of(title: str, *columns: str) -> Table:
    """A table with a title and these columns, whose cells break into lines."""
    table = Table(title=Text(title), title_justify="left", show_edge=False, pad_edge=False)
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def add_row(table: Table, *cells: str) -> None:
    """Put a row of plain texts into a table."""
    table.add_row(*(Text(cell) for cell in cells))


def print_opening(out: Console, found: Told) -> None:
    """Whose answer it is, what holds for all of it, and the precautions in force."""
    out.print(f"[bold]{found.subject}[/bold]")
    for note in found.notes:
        out.print(f"{note}.", markup=False)
    for precaution in found.precautions:
        where = ", ".join(place.name for place in precaution.places)
        out.print(f"Precaution in force, {where}: {precaution.what} ({precaution.by})", markup=False)


def print_asides(out: Console, lines: Sequence[Trajectory]) -> None:
    """What is to be known of single lines: what was not used of them, and why."""
    if not lines:
        out.print(NONE)
    for each in lines:
        told = [f"not used of {left.when.date().isoformat()}: {left.because.reason}" for left in each.left_out]
        for note in (*each.notes, *told):
            out.print(f"{name_of(each, full=True)}: {note}", markup=False)


def print_last(out: Console, found: Told) -> None:
    """What could not be used, and what the numbers are not."""
    for reason, number in found.not_used.items():
        out.print(f"{number} not used, because {reason}", markup=False)
    out.print(CAUTION, style="italic")


def name_of(trajectory: Trajectory, *, full: bool = False) -> str:
    """A measure with its unit and the conditions it was read under; with its site where `full`."""
    said = [
        answer.replace("-", " ") if answer != UNKNOWN else f"{name.replace('_', ' ')} not recorded"
        for name, answer in trajectory.conditions.items()
        if answer not in ("", UNKNOWN) or name in _ALWAYS_SAID
    ]
    said = [each for each in said if each.casefold() not in trajectory.title.casefold()]
    unit = trajectory.unit if trajectory.scale == "amount" else "steps of its list"
    where = f"{trajectory.site.name}, " if full else ""
    return f"{where}{', '.join([trajectory.title, *said])} ({unit})"


def value_of(point: Point | Missing) -> str:
    """A value with its day, or a dash."""
    if isinstance(point, Missing):
        return "-"
    return f"{point.code or format(point.value, 'f')} on {point.day.isoformat()}"


def amount_of(change: Change) -> str:
    """How much changed, with the percent where there is one, or a dash."""
    if isinstance(change.amount, Missing):
        return "-"
    return f"{change.amount:+f}" + ("" if isinstance(change.percent, Missing) else f" ({change.percent:+f}%)")


def _span(interval: Interval) -> str:
    return f"{interval.low:f} to {interval.high:f}"
