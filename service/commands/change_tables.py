"""Change, trend and phases as tables. Every number stands beside its error, or the word that there is none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from service.domain.change.answers import Changed, Trending
from service.domain.change.comparable import Point, Trajectory
from service.domain.change.phase_report import Contrast, Estimate, PhaseReport
from service.domain.change.phases import Dose
from service.domain.change.trend import Interval, MannKendall
from service.domain.field import UNKNOWN
from service.domain.metric import Missing
from service.printing import CAUTION
from service.usecases.change import Told, ToldChange, ToldPhases, ToldTrend

NONE = "No measure of this patient has a value here."


def print_change(out: Console, found: ToldChange) -> None:
    """Every change, the headline first, then how many of how many changed, and how many error alone would show."""
    answer = found.answer
    _opening(out, found)
    out.print(f"Compared with {answer.baseline}. Headline: {answer.headline_rule}.", markup=False)
    table = _table("measure", "from", "to", "change", "verdict", "opposite direction")
    headline = [answer.changes[n] for n in answer.headline]
    for each in (*headline, *(c for c in answer.changes if c not in headline)):
        marks = "; ".join(each.change.changed)
        verdict = each.change.words + (f" [{marks}]" if marks else "")
        row = _value(each.change.earlier), _value(each.change.later), _amount(each), verdict, _opposite(each)
        table.add_row(
            *(Text(cell) for cell in (_name(each.trajectory), *row)), style="bold" if each in headline else ""
        )
    _closing(out, table, answer.changes)
    numbers = answer.count
    out.print(
        f"{numbers.beyond} of {numbers.series} single readings changed beyond error ({numbers.better} better, "
        f"{numbers.worse} worse); error alone would show up to {numbers.by_error_alone}. "
        f"{numbers.without_error} have no published error.",
        markup=False,
    )
    _last(out, found)


def print_trend(out: Console, found: ToldTrend) -> None:
    """Where each measure stands, its rate a week with the interval that decides, and a projected day for its goals."""
    _opening(out, found)
    table = _table("measure", "visits", "rate a week", "95% interval", "Mann-Kendall p", "stands", "because")
    for each in found.answer:
        trend, standing = each.standing.trend, each.standing
        more = standing.more_visits
        told = standing.because + (f" {more} more visits at this spacing would tell." if isinstance(more, int) else "")
        p = str(trend.order.p) if isinstance(trend.order, MannKendall) else "-"
        cells = (
            _name(each.trajectory),
            f"{trend.visits} ({each.window})",
            _number(trend.slope),
            _span(trend.allowed),
            p,
        )
        table.add_row(*(Text(cell) for cell in (*cells, standing.answer.replace("-", " "), told)))
    _closing(out, table, found.answer)
    for each in found.answer:
        _print_aims(out, each)
    notes = dict.fromkeys(note for each in found.answer for note in each.standing.trend.notes)
    for note in notes:
        out.print(note, markup=False)
    _last(out, found)


def _print_aims(out: Console, each: Trending) -> None:
    for aim, day in zip(each.aims, each.projections, strict=True):
        if isinstance(day, Missing):
            told = f"no day can be projected. {day.reason}"
        else:
            latest = day.latest.date().isoformat() if day.latest else "later than can be told"
            told = f"at this rate between {day.earliest.date().isoformat()} and {latest}"
        out.print(f"Goal {aim.what} ({aim.value} {each.trajectory.unit}): {told}", markup=False)


def print_phases(out: Console, found: ToldPhases) -> None:
    """Each measure through the phases, and what differs from one phase to the next."""
    _opening(out, found)
    for each in found.answer:
        table = _table(
            "during", "days", "visits", "median", "rate a week", "change", "dose", title=_name(each.trajectory)
        )
        for phase in each.phases:
            table.add_row(*(Text(cell) for cell in _phase(phase)))
        out.print(table)
        for note in dict.fromkeys(f"{phase.label}: {note}" for phase in each.phases for note in phase.notes):
            out.print(f"  {note}", markup=False)
        for contrast in each.contrasts:
            _print_contrast(out, contrast)
    if not found.answer:
        out.print(NONE)
    _last(out, found)


def _phase(phase: PhaseReport) -> Iterable[str]:
    amount = phase.change.amount
    moved = "-" if isinstance(amount, Missing) else f"{amount:+f}: {phase.change.words}"
    until = f" to {phase.until.isoformat()}" if phase.until else " on"
    yield f"{phase.label}, {phase.since.isoformat()}{until}"
    yield str(phase.days)
    yield str(phase.visits)
    yield _number(phase.level)
    yield _number(phase.trend.slope)
    yield moved
    yield "; ".join(map(_dose, phase.dose)) or "-"


def _dose(dose: Dose) -> str:
    prescribed = "hours not prescribed" if dose.prescribed is None else f"{dose.prescribed:f} h prescribed"
    worn = [f"{hours:f} h {source} on {dose.days_with_hours[source]} of {dose.days} days"
            for source, hours in dose.worn.items()]  # fmt: skip
    return ", ".join([prescribed, *worn])


def _print_contrast(out: Console, contrast: Contrast) -> None:
    out.print(f"  From {contrast.earlier} to {contrast.later}:", markup=False)
    told = [f"level {_estimate(contrast.level_change)}", f"rate a week {_estimate(contrast.slope_change)}"]
    told += [_index(index) for index in contrast.indices]
    absent = dict.fromkeys(part for part in told if part.startswith("! "))
    for part in (*(p for p in told if not p.startswith("! ")), *(p[2:] for p in absent)):
        out.print(f"    {part}", markup=False)
    for note in contrast.notes:
        out.print(f"    {note}", markup=False)


def _index(index: Mapping[str, Any]) -> str:
    """An index with its interval; one that is absent begins with a mark, so that one reason is told once."""
    value, interval = index["value"], index["interval"]
    if isinstance(value, Missing):
        return f"! no index: {value.reason}"
    return f"{index['title']} {value} ({_span(interval) if isinstance(interval, Interval) else 'no interval known'})"


def _estimate(found: Estimate) -> str:
    if isinstance(found.value, Missing):
        return f"cannot be told: {found.value.reason}"
    span = found.interval.reason if isinstance(found.interval, Missing) else _span(found.interval)
    return f"changed by {found.value:+f} ({span})"


def _table(*columns: str, title: str = "") -> Table:
    table = Table(*columns, title=title or None, title_justify="left", show_edge=False, pad_edge=False)
    for column in table.columns:
        column.overflow = "fold"
    return table


def _opening(out: Console, found: Told) -> None:
    out.print(f"[bold]{found.subject}[/bold]")
    for precaution in found.precautions:
        where = ", ".join(place.name for place in precaution.places)
        out.print(f"Precaution in force, {where}: {precaution.what} ({precaution.by})", markup=False)


def _closing(out: Console, table: Table, rows: Iterable[Changed | Trending]) -> None:
    found = list(rows)
    if not found:
        out.print(NONE)
        return
    out.print(table)
    for each in found:
        for note in each.trajectory.notes:
            out.print(f"{_name(each.trajectory)}: {note}", markup=False)
        left = [f"{out_.when.date().isoformat()}: {out_.because.reason}" for out_ in each.trajectory.left_out]
        if left:
            out.print(f"{_name(each.trajectory)}, not used: {' '.join(left)}", markup=False)


def _last(out: Console, found: Told) -> None:
    for reason, number in found.not_used.items():
        out.print(f"{number} not used, because {reason}", markup=False)
    out.print(CAUTION, style="italic")


def _name(trajectory: Trajectory) -> str:
    said = [
        answer.replace("-", " ") if answer != UNKNOWN else f"{name.replace('_', ' ')} not recorded"
        for name, answer in trajectory.conditions.items()
        if name in ("mode", "orthosis_state", "together")
        or (name in ("treatment", "handle_position") and answer != UNKNOWN)
    ]
    unit = trajectory.unit if trajectory.scale == "amount" else "steps of its list"
    return f"{trajectory.site.name}: {', '.join([trajectory.title, *said])} ({unit})"


def _value(point: Point | Missing) -> str:
    if isinstance(point, Missing):
        return "-"
    return f"{point.code or format(point.value, 'f')} on {point.when.date().isoformat()}"


def _amount(each: Changed) -> str:
    amount, percent = each.change.amount, each.change.percent
    if isinstance(amount, Missing):
        return "-"
    return f"{amount:+f}" if isinstance(percent, Missing) else f"{amount:+f} ({percent:+f}%)"


def _opposite(each: Changed) -> str:
    if isinstance(each.opposite, Missing):
        return "not measured" if each.opposite.rule == "opposite-not-measured" else "-"
    amount = each.opposite.amount
    return each.opposite.words if isinstance(amount, Missing) else f"{amount:+f}: {each.opposite.words}"


def _number(number: Decimal | Missing) -> str:
    return "-" if isinstance(number, Missing) else f"{number:f}"


def _span(interval: Interval | Missing) -> str:
    return "-" if isinstance(interval, Missing) else f"{interval.low:f} to {interval.high:f}"
