"""From an entry as a person gives it to checked measurements: read, completed with what is unknown, and checked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from service.domain.anatomy import PartState, Site, lacking, site
from service.domain.arcs import number
from service.domain.cautions import SOFT_BOUND, UNIT_RATIO, question
from service.domain.field import UNKNOWN, Field
from service.domain.kinds import KINDS
from service.domain.measurement import (
    ABSENT_REASONS,
    Absent,
    Caution,
    Circumstances,
    Entry,
    Finding,
    Measurement,
    MeasurementKind,
    Quantity,
    Value,
)
from service.domain.series import key_of
from service.domain.trials import read_trials, summary_rule
from service.domain.units import convert, unit
from service.errors import Invalid, Issue


@dataclass(frozen=True, slots=True)
class Reading:
    """What one entry became: its measurements, in order, and the code of the whole where it was one."""

    entry: Entry
    measurements: tuple[Measurement, ...]
    panel: str = ""
    panel_axes: Mapping[str, str] | None = None


def kind_of(name: str) -> MeasurementKind:
    """The kind with this name."""
    if name not in KINDS:
        expected = "one of " + ", ".join(KINDS)
        raise Invalid(Issue("value", f"'{name}' is not a kind of measurement.", "kind", name, "known-kind", expected))
    return KINDS[name]


def read_entry(entry: Entry, circumstances: Circumstances) -> Reading:
    """The measurements an entry states. Raises `Invalid` with every reason why it cannot be read."""
    kind = kind_of(entry.kind)
    where = site(entry.side, entry.site or (kind.sites[0] if len(kind.sites) == 1 else ""))
    _require(kind, entry, where)
    values = _values(kind, entry, where)
    rule = "" if entry.absent else summary_rule(entry)
    given = {**entry.fields, "convention": entry.convention, "summary_rule": rule}
    answers = {f.name: _answer(f, given) for f in kind.all_fields if f.name not in values[0][0]}
    made = tuple(_measurement(kind, entry, where, circumstances, {**answers, **named}, v) for named, v in values)
    axis = kind.axes[0].name if kind.axes else ""
    if entry.fields.get(axis) not in kind.panels:
        return Reading(entry, made)
    whole = {**made[0].axes, axis: entry.fields[axis]}
    return Reading(entry, made, kind.panel_code(whole), whole)


def _values(kind: MeasurementKind, entry: Entry, where: Site) -> list[tuple[Mapping[str, str], Value]]:
    if not entry.absent:
        return list(kind.read(kind, entry, where))
    if entry.absent not in ABSENT_REASONS:
        expected = "one of " + ", ".join(ABSENT_REASONS)
        message = f"'{entry.absent}' is not a reason for a missing value."
        raise Invalid(Issue("value", message, "absent", entry.absent, "absent-reason", expected))
    if entry.value:
        message = "A reading has a value or a reason why it has none, not both."
        raise Invalid(Issue("value", message, "absent", entry.absent))
    return [({}, Absent(entry.absent))]


def _measurement(
    kind: MeasurementKind,
    entry: Entry,
    where: Site,
    circumstances: Circumstances,
    answers: Mapping[str, str],
    value: Value,
) -> Measurement:
    axes = {a.name: answers[a.name] for a in kind.axes}
    if kind.side_in_code:
        axes = {"side": where.side, **axes}
    return Measurement(
        kind=kind.name,
        site=where,
        axes=axes,
        value=value,
        context={name: a for name, a in answers.items() if name not in axes},
        circumstances=circumstances,
        trials=read_trials(entry),
        entered=entry.text or (entry.value if entry.convention not in ("", "named") else ""),
    )


def _answer(field: Field, given: Mapping[str, str]) -> str:
    answer = given.get(field.name, "") or UNKNOWN
    if (field.choices and answer not in field.codes) or (field.required and answer == UNKNOWN):
        raise Invalid(_not_a_choice(field, answer))
    return _amount(field, answer) if field.units and answer != UNKNOWN else answer


def _amount(field: Field, answer: str) -> str:
    """An amount as `12.5 kgf`; where a field has one unit only, the number alone is enough."""
    text, _, unit_ = " ".join(answer.split()).partition(" ")
    unit_ = unit_ or (field.units[0] if len(field.units) == 1 else "")
    if unit_ not in field.units:
        message = f"{field.title}: the unit must be stated with the number."
        expected = " or ".join(f"12.5 {each}" for each in field.units)
        raise Invalid(Issue("value", message, field.name, answer, "unit-of-field", expected))
    value = number(text)
    if value < 0:
        message = f"{field.title}: an amount cannot be below 0."
        raise Invalid(Issue("value", message, field.name, answer, "not-negative", "0 or more"))
    return f"{value} {unit_}"


def _not_a_choice(field: Field, given: str) -> Issue:
    expected = "one of " + ", ".join(field.codes) if field.choices else "an answer"
    if given == UNKNOWN:
        return Issue("required", f"{field.title} must be stated.", field.name, "", "required-field", expected)
    return Issue("value", f"'{given}' is not an answer to: {field.title}.", field.name, given, "known-answer", expected)


def _require(kind: MeasurementKind, entry: Entry, where: Site) -> None:
    issues = [*_misplaced(kind, entry, where), *_unknown_fields(kind, entry), *_unitless(kind, entry)]
    if kind.conventions and not entry.absent and entry.convention not in kind.conventions:
        message = (
            "The convention of the numbers must be stated, because a sign means opposite things in different places."
        )
        expected = "one of " + ", ".join(kind.conventions)
        issues.append(Issue("required", message, "convention", entry.convention, "convention", expected))
    if not (entry.value or entry.trials or entry.absent):
        expected = "a value, or in absent the reason why there is none"
        issues.append(Issue("required", "The reading has no value.", "value", "", "value-or-reason", expected))
    if entry.trials and not kind.summary_rules:
        issues.append(Issue("value", f"{kind.title} is not recorded in trials.", "trials", "", "trials", "one value"))
    if issues:
        raise Invalid(*issues)


def _misplaced(kind: MeasurementKind, entry: Entry, where: Site) -> Iterable[Issue]:
    if where.key not in kind.sites:
        expected = "one of " + ", ".join(kind.sites)
        message = f"{kind.title} is not measured at the {where.part.name}."
        yield Issue("value", message, "site", where.key, "site-of-kind", expected)
    elif where.side not in kind.sides:
        expected = " or ".join(side or "no side" for side in kind.sides)
        message = f"{kind.title} is not measured there: {where.name}."
        yield Issue("value", message, "side", where.side, "side-of-kind", expected)


def _unknown_fields(kind: MeasurementKind, entry: Entry) -> Iterable[Issue]:
    known = {f.name for f in kind.all_fields}
    for name in entry.fields:
        if entry.fields[name] and name not in known:
            expected = "one of " + ", ".join(sorted(known))
            message = f"{kind.title} has no field called '{name}'."
            yield Issue("not-supported", message, name, entry.fields[name], "known-field", expected)


def _unitless(kind: MeasurementKind, entry: Entry) -> Iterable[Issue]:
    if (entry.absent and not entry.unit) or (kind.units and entry.value in kind.values):
        return
    if not kind.units:
        if entry.unit:
            message = f"{kind.title} has no unit; its value is a code."
            yield Issue("value", message, "unit", entry.unit, "no-unit", "an empty unit")
        return
    expected = "one of " + ", ".join(kind.units)
    if not entry.unit:
        yield Issue("required", "The unit must be stated.", "unit", "", "unit", expected)
    elif entry.unit not in kind.units:
        message = f"{kind.title} is not measured in '{entry.unit}'."
        known = unit(entry.unit).dimension if entry.unit in ("kg", "g", "[lb_av]") else ""
        hint = " A dial marked kg or lb shows a force." if known == "mass" else ""
        yield Issue("value", message + hint, "unit", entry.unit, "unit-of-kind", expected)


def check(measurement: Measurement, states: Iterable[PartState] = ()) -> list[Finding]:
    """What one reading breaks: parts that are not there, motion the joint lacks, bounds, and the kind's own rules."""
    kind = KINDS[measurement.kind]
    found: list[Finding] = []
    if measurement.site.key not in kind.sites:
        message = f"{kind.title} is not measured at the {measurement.site.part.name}."
        return [Finding("refuse", Issue("value", message, "site", measurement.site.code, "site-of-kind"))]
    if not kind.placed(measurement.site, measurement.axes):
        message = f"{kind.display(measurement.axes)} does not exist at the {measurement.site.name}."
        found.append(Finding("refuse", Issue("value", message, "motion", rule="motion-of-joint")))
        return found
    found.extend(_against_state(kind, measurement, states))
    found.extend(_against_bounds(kind, measurement))
    for rule in kind.checks:
        found.extend(rule(measurement))
    return found


def _against_state(kind: MeasurementKind, measurement: Measurement, states: Iterable[PartState]) -> Iterable[Finding]:
    state = lacking(states, measurement.site, measurement.circumstances.taken.date())
    if state is None or _can_be_measured(kind, measurement.site, state):
        return
    if not isinstance(measurement.value, Absent):
        where = f" at the level of the {state.level.replace('-', ' ')}" if state.level else ""
        message = f"The {measurement.site.name} cannot be measured: {state.site.name} {state.state}{where}."
        expected = "absent: not-applicable, or a corrected state of the part"
        yield Finding("refuse", Issue("value", message, "site", measurement.site.code, "part-state", expected))


def _can_be_measured(kind: MeasurementKind, site: Site, state: PartState) -> bool:
    """Whether a kind can be measured although a joint is fused or a digit lost in part."""
    if state.state == "fused":
        return not kind.needs_motion
    return kind.on_stump and site == state.site


def _against_bounds(kind: MeasurementKind, measurement: Measurement) -> Iterable[Finding]:
    limits = kind.bounds(measurement.site, measurement.axes)
    for quantity in measurement.quantities:
        if quantity.number < 0:
            message, value = "An amount cannot be below 0.", str(quantity.number)
            yield Finding("refuse", Issue("value", message, "value", value, "not-negative", "0 or more"))
        if limits is None or unit(quantity.unit).dimension != unit(limits.unit).dimension:
            continue
        number = convert(quantity.number, quantity.unit, limits.unit)
        name = f"{kind.display(measurement.axes)} of the {measurement.site.name}"
        value = f"{quantity.number} {quantity.unit}"
        if number > limits.hard:
            expected = f"at most {limits.hard} {limits.unit} ({limits.source})"
            yield Finding(
                "refuse",
                Issue("value", f"{name} cannot be this large.", "value", value, "hard-bound", expected),
            )
        elif limits.soft is not None and number > limits.soft:
            expected = f"usually at most {limits.soft} {limits.unit} ({limits.source})"
            yield question(SOFT_BOUND, f"{name} is unusually large.", "value", value, expected)


def check_visit(measurements: Sequence[Measurement]) -> list[tuple[Measurement, Finding]]:
    """What the readings of one visit break together."""
    found: list[tuple[Measurement, Finding]] = []
    for kind in KINDS.values():
        readings = tuple(m for m in measurements if m.kind == kind.name)
        for rule in kind.set_checks:
            found.extend(rule(readings))
    return found


_MIXED_UNITS = {
    Decimal("2.2"): "between pounds and kilograms",
    Decimal("9.8"): "between newtons and kilograms",
    Decimal(10): "where a decimal slipped",
}


def check_against_last(measurement: Measurement, last: Measurement | None) -> list[Finding]:
    """Asks about a value that stands to the last comparable one in the ratio of two units.

    A ratio within 3% of 2.2, 9.8 or 10 either way: a project proposal; no publication.
    """
    if last is None or key_of(last) != key_of(measurement):
        return []
    now, before = measurement.value, last.value
    if not (isinstance(now, Quantity) and isinstance(before, Quantity)) or KINDS[measurement.kind].units == ("deg",):
        return []
    here, there = convert(now.number, now.unit, before.unit), before.number
    if not here or not there:
        return []
    ratio = max(here, there) / min(here, there)
    nearest = min(_MIXED_UNITS, key=lambda factor: abs(ratio - factor))
    if abs(ratio - nearest) > nearest * Decimal("0.03"):
        return []
    message = (
        f"The {measurement.site.name} now reads {now.number} {now.unit} and last read "
        f"{before.number} {before.unit}: a ratio near {nearest}, as {_MIXED_UNITS[nearest]}."
    )
    return [question(UNIT_RATIO, message, "value", str(now.number), "the value and unit as read")]


def confirmed(measurement: Measurement, findings: Iterable[Finding], reason: str) -> Measurement:
    """The reading with what was asked about it, and the reason given for accepting it."""
    cautions = [Caution(f.issue.rule, reason) for f in findings if f.grade == "ask"]
    return measurement.with_cautions([*measurement.cautions, *cautions])
