"""What the commands print: reports of imports, a reading of shorthand, and the summary of a patient, as tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from service.domain.billing.rule_sets import DECIDES
from service.domain.error import PublishedError
from service.domain.field import UNKNOWN
from service.domain.hands import Hand, Measure
from service.domain.kinds import KINDS
from service.domain.line import Line
from service.domain.measurement import ABSENT_REASONS, Coded, Measurement, Quantity
from service.domain.metric import Missing, Result
from service.domain.metrics import METRICS
from service.domain.reading import Reading
from service.domain.summary import PatientSummary
from service.domain.units import UNITS
from service.errors import Issue
from service.usecases.import_report import Report

CAUTION = (
    "These numbers inform; they prescribe nothing. The treating clinician, local protocol and licensed practice decide."
)


def print_issues(console: Console, issues: Iterable[Issue]) -> None:
    """Every issue, one line each."""
    for issue in issues:
        console.print(f"{issue.severity}: {issue}", markup=False)


def print_reading(console: Console, reading: Reading) -> None:
    """The discrete values an entry was read as."""
    console.print(f"Read from: {reading.entry.text or reading.entry.value}", markup=False)
    for m in reading.measurements:
        _indented(console, 2, f"{m.site.name}: {KINDS[m.kind].display(m.axes)}: {value_of(m)}")
        answers = {**m.axes, **m.context}
        told = [f"{name.replace('_', ' ')} {answer}" for name, answer in answers.items() if answer != UNKNOWN]
        _indented(console, 6, ", ".join(told))
        _indented(
            console, 6, "not recorded: " + ", ".join(n.replace("_", " ") for n, a in answers.items() if a == UNKNOWN)
        )


def print_import(console: Console, report: Report) -> None:
    """What an import came to: rows, visits, resources, then every refused row, change and warning with its row."""
    dry = " (dry run: nothing was changed)" if report.dry_run else ""
    console.print(f"[bold]{report.source}[/bold]{dry}: {report.rows} rows, {report.visits} visits")
    for act, counts in (("created", report.created), ("updated", report.updated), ("unchanged", report.unchanged)):
        if counts:
            told = ", ".join(f"{number} {kind}" for kind, number in sorted(counts.items()))
            console.print(f"  {act}: {told}")
    for change in report.changes:
        console.print(f"  changed, {change.place}: {change.reading}: {change.before} -> {change.after}", markup=False)
    for row in report.refused:
        where = f", column {row.column}" if row.column else ""
        value = f" Found: {row.value}." if row.value else ""
        expected = f" Expected: {row.expected}." if row.expected else ""
        console.print(f"  refused, {row.place}{where}: {row.reason}{value}{expected}", markup=False)
    for warning in report.warnings:
        console.print(f"  warning, {warning.where}: {warning.message}", markup=False)


def value_of(m: Measurement) -> str:
    """The value of a reading, in words."""
    if isinstance(m.value, Quantity):
        return amount(m.value)
    if isinstance(m.value, Coded):
        return KINDS[m.kind].values[m.value.code].display
    return ABSENT_REASONS[m.value.reason]


def amount(quantity: Quantity) -> str:
    """A number with its unit as people write it."""
    sign = {"deg": "°"}.get(quantity.unit)
    shown = quantity.number if quantity.unit != "%" else round(quantity.number, 1)
    number = f"{quantity.comparator}{shown}"
    return f"{number}{sign}" if sign else f"{number} {UNITS[quantity.unit].code.strip('[]').replace('_av', '')}"


def _print_background(console: Console, summary: PatientSummary) -> None:
    """What the results are read against: parts, precautions in force, injuries and operations."""
    for state in summary.states:
        where = f" at the level of the {state.level.replace('-', ' ')}" if state.level else ""
        angle = f" at {state.angle}°" if state.angle is not None else ""
        console.print(f"{state.site.name}: {state.state}{where}{angle} since {state.since.isoformat()}")
    for precaution in summary.precautions:
        where = ", ".join(place.name for place in precaution.places)
        until = f" until {precaution.until.isoformat()}" if precaution.until else ""
        console.print(f"Precaution{until}, {where}: {precaution.what} ({precaution.by})", markup=False)
    events = {
        (e.since, e.on, e.site.side, e.what) for hand in summary.hands for m in hand.measures for e in m.elapsed_now
    }
    for since, on, side, what in sorted(events):
        console.print(f"{since.capitalize()} {on.isoformat()}, {side}: {what}", markup=False)


def print_summary(console: Console, summary: PatientSummary) -> None:
    """The summary of one patient."""
    for flag in summary.red_flags:
        found = "; ".join(f"{item}: {words}" for item, words in flag.findings.items())
        console.print(Text.assemble(("Red flag, not answered: ", "bold red"), f"{flag.at} {found}"))
    first, last = (t.date().isoformat() if t else "-" for t in (summary.first, summary.last))
    console.print(f"[bold]{summary.subject}[/bold]: {summary.visits} visits, {first} to {last}")
    console.print(f"Start is {summary.baseline}.")
    _print_background(console, summary)
    footnotes = Footnotes()
    for hand in summary.hands:
        _print_hand(console, hand, footnotes)
    for number, text in enumerate(footnotes.texts, 1):
        console.print(f"[{number}] {text}", markup=False)
    for caution in summary.warnings:
        day = caution.taken.date().isoformat()
        console.print(
            f"Accepted on confirmation, {day}, {caution.site.name}, {caution.rule}: {caution.reason}", markup=False
        )
    for counts, words in ((summary.not_shown, "on record, not shown above"), (summary.not_used, "not used, because")):
        for reason, count in counts.items():
            console.print(f"{count} {words}: {reason}", markup=False)
    for note in summary.notes:
        console.print(note, markup=False)
    console.print(CAUTION, style="italic")


class Footnotes:
    """Long texts that tables point at by number, each once."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def number(self, text: str) -> int:
        """The number of a text."""
        if text not in self.texts:
            self.texts.append(text)
        return self.texts.index(text) + 1


def _print_hand(console: Console, hand: Hand, footnotes: Footnotes) -> None:
    roles = {
        "affected": "compared with the other hand",
        "reference": "serves as reference",
        "not stated": "the other hand does not serve as reference",
    }
    console.print(f"\n[bold]{hand.side} hand[/bold] ({roles[hand.role]})")
    motion = [m for measures in hand.digits.values() for m in measures]
    for measure in (*motion, *hand.limb, *hand.grip, *hand.touch, *hand.touch_zones):
        name = _name(measure)
        _print_line(console, name, measure.main, measure.note, footnotes)
        for state, line in measure.apart.items():
            _print_line(console, f"{name}, {state.replace('-', ' ')}", line, "", footnotes)


def _name(measure: Measure) -> str:
    """What a line is about: the part with its metric, or with its arc and mode where it has several."""
    return f"{measure.site.part.name}, {measure.of or METRICS[measure.metric].title.lower()}"


def _print_line(console: Console, name: str, line: Line | Missing, note: str, footnotes: Footnotes) -> None:
    if isinstance(line, Missing):
        _indented(console, 2, f"{name}: none. {line.reason}")
        return
    if line.now.is_missing:
        _indented(console, 2, f"{name}: none. {_shown(line.now)}")
    else:
        _indented(console, 2, f"{name}: {_values(line)}{_how_sure(line, footnotes)}{_of_other(line)}")
    if line.start is not line.now and line.now.site.part.kind in ("digit", "joint"):
        _print_parts(console, "start", line.start)
    _print_parts(console, "now", line.now)
    for told in dict.fromkeys((*line.now.notes, *line.notes, *([note] if note else []))):
        _indented(console, 6, told)


def _values(line: Line) -> str:
    if line.start is line.now:
        return f"{_shown(line.now)}, measured at one visit"
    moved = line.change.amount
    values = f"start {_shown(line.start)}, now {_shown(line.now)}"
    if isinstance(moved, Quantity):
        return f"{values}; change {moved.number:+}"
    return values if isinstance(line.now.value, Coded) and moved.rule == "no-amount" else f"{values}; {moved.reason}"


def _how_sure(line: Line, footnotes: Footnotes) -> str:
    """The published errors of a number; a category has none."""
    if isinstance(line.now.value, Coded):
        return ""
    return f" ({'; '.join(_error(e, footnotes) for e in line.change.errors) or 'error not published'})"


def _of_other(line: Line) -> str:
    other = line.now_of_reference
    return "" if isinstance(other, Missing) or other.is_missing else f"; {_shown(other)} of the other hand"


def _print_parts(console: Console, when: str, result: Result) -> None:
    """What a result is made of: its parts or readings in one list, then why a part has no value, each in its line."""
    stated = [_part(part, result) for part in result.parts if not part.is_missing or part.inputs]
    stated = stated or [_reading(m) for m in result.inputs]
    if stated:
        _indented(console, 6, f"{when}: " + "; ".join(stated))
    if not result.is_missing:
        for reason in dict.fromkeys(part.value.reason for part in result.parts if isinstance(part.value, Missing)):
            _indented(console, 6, reason)


def _indented(console: Console, spaces: int, text: str) -> None:
    console.print(Padding(Text(text), (0, 0, 0, spaces)))


def _part(part: Result, whole: Result) -> str:
    """A joint with both ends of its arc; anything else with its value, or its name where it has none."""
    if part.site.part.joint:
        ends = [_reading(m) for m in part.inputs]
        return f"{part.site.part.joint.upper()} {', '.join(ends) or '-'}"
    name = METRICS[part.metric].title.lower() if part.site == whole.site else part.site.part.name
    return f"{name} {'-' if part.is_missing else _shown(part)}"


def _reading(m: Measurement) -> str:
    """The value of a reading; that of an end of an arc with its name."""
    motion = m.answer("motion")
    return value_of(m) if motion == UNKNOWN else f"{motion.replace('-', ' ')} {value_of(m)}"


def _error(error: PublishedError, footnotes: Footnotes) -> str:
    span = str(error.low) if error.low == error.high else f"{error.low} to {error.high}"
    level = f" at {error.level}" if error.level else ""
    origin = f"{error.source} ({error.status}). {error.population}; {error.raters}; {error.method}."
    return f"{error.statistic} {span} {error.unit}{level} [{footnotes.number(origin)}]"


def _shown(result: Result) -> str:
    value = result.value
    if isinstance(value, Quantity):
        return amount(value)
    if isinstance(value, Coded):
        return METRICS[result.metric].values[value.code].display
    return value.reason


def print_orthoses(out: Console, found: Mapping[str, Any]) -> None:
    """A patient's orthoses: red flags first, then each episode on a line, then what is due."""
    for flag in found["red_flags"]:
        out.print(f"[bold red]Red flag, not answered:[/] {flag['at']} {flag.get('check', {}).get('findings', '')}")
    for each in found["episodes"]:
        worn = f"{each['worn']['regimen']['words']} since {each['worn']['since']}" if each["worn"] else each["state"]
        out.print(f"{each['name']} ({each['side']}): {worn}, {each['days_worn']} days worn  [dim]{each['id']}[/]")
        for due in each["due_for_review"]:
            out.print(f"  due: {due['words']}: {due['days']}, limit {due['allowed']}")
    if not found["episodes"]:
        out.print("No orthosis has been recorded.")
    out.print(f"[dim]{found['note']}[/]")


def print_worklist(out: Console, found: Iterable[Mapping[str, Any]]) -> None:
    """Episodes for billing, one on a line, with what each lacks; last, who decides."""
    rows = list(found)
    for each in rows:
        orthosis = f"{each['orthosis']['name']}, {each['orthosis']['side']}"
        day = each["date_of_service"] or "no date of service"
        out.print(Text.assemble(f"{each['state']}: {orthosis}, {day}  ", (str(each["id"]), "dim")))
        for what in each["lacks"]:
            _indented(out, 2, f"lacks {what}")
        for changed in each["changed"]:
            _indented(out, 2, f"changed {changed['reference']}: {changed['what']}")
        if each["question"]:
            _indented(out, 2, f"asked: {each['question']}")
    if not rows:
        out.print("There is no episode to bill.")
    out.print(DECIDES, style="italic")
