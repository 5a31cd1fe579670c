"""Measurement kinds, as declarations, and measurements, as checked readings with their context.

A kind says once what its readings are; the input model, the FHIR mapping and its inverse, the codes, the profile, the
example and the import columns all follow from it. What was not recorded is `unknown`, and is said so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from functools import cached_property
from typing import Literal

from service.domain.anatomy import PARTS, SIDES, Laterality, Site
from service.domain.concepts import concepts_of, panel_concepts_of
from service.domain.field import COMMON, UNKNOWN, Field
from service.domain.terms import Coding, Term
from service.errors import Issue

ABSENT_REASONS: dict[str, str] = {
    "unknown": "not recorded, or the value is not known",
    "not-performed": "the test could not be done",
    "not-applicable": "the part is absent or fused",
    "asked-declined": "the patient declined",
    "stopped-for-pain": "begun and stopped because of pain",
    "error": "the instrument failed",
}
"""Why a value is missing. All but `stopped-for-pain`, which is ours, are codes of FHIR's data-absent-reason."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its UCUM unit; `comparator` (<, <=, >=, >) where the instrument's range ended."""

    number: Decimal
    unit: str
    comparator: str = ""


@dataclass(frozen=True, slots=True)
class Coded:
    """A value from the kind's own list of values."""

    code: str


@dataclass(frozen=True, slots=True)
class Absent:
    """No value, and why (a key of `ABSENT_REASONS`). Missing is not zero."""

    reason: str


Value = Quantity | Coded | Absent


@dataclass(frozen=True, slots=True)
class Bounds:
    """Where a value becomes unlikely (`soft`) and where it cannot be (`hard`), in `unit`, with the source."""

    soft: Decimal | None
    hard: Decimal
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check found: `refuse` what cannot be, `ask` about what is unlikely."""

    grade: Literal["refuse", "ask"]
    issue: Issue


@dataclass(frozen=True, slots=True)
class Caution:
    """Something unlikely that a person confirmed: the rule it broke, and the reason given."""

    rule: str
    reason: str


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Around a reading: whose, when, by whom, at which visit, with which orthosis.

    References are FHIR references (`Patient/…`). `taken` carries its offset; where only the day is known,
    `day_only` is set and `taken` is midnight UTC of that day. `performer` is empty where the examiner is known by
    name only (`performer_name`). `device_use` points at the regimen worn when a reading was taken in or
    just out of an orthosis. `status` is FHIR's Observation.status. `source` is the (system, value) that identifies the
    reading where it came from.
    """

    subject: str
    taken: datetime
    day_only: bool = False
    performer: str = ""
    performer_name: str = ""
    encounter: str = ""
    device_use: str = ""
    status: str = "preliminary"
    note: str = ""
    source: tuple[str, str] | None = None
    id: str = ""
    version: str = ""


@dataclass(frozen=True, slots=True)
class Measurement:
    """One reading of one kind at one site.

    `axes` are the answers that make the code, `context` all others; both hold every field the kind declares.
    `trials` are the single attempts in order, of which `value` is the summary under the named rule. `entered` is the
    text as a person gave it, where it was in another convention.
    """

    kind: str
    site: Site
    axes: Mapping[str, str]
    value: Value
    context: Mapping[str, str]
    circumstances: Circumstances
    trials: tuple[Quantity | Absent, ...] = ()
    cautions: tuple[Caution, ...] = ()
    entered: str = ""

    def answer(self, name: str) -> str:
        """The answer to a field, wherever it is kept."""
        return self.axes.get(name) or self.context.get(name) or UNKNOWN

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """Every quantity it states: its value and its trials."""
        return tuple(q for q in (self.value, *self.trials) if isinstance(q, Quantity))

    @property
    def number(self) -> Decimal | None:
        """The number of a quantity, or None."""
        return self.value.number if isinstance(self.value, Quantity) else None

    def with_cautions(self, cautions: Iterable[Caution]) -> Measurement:
        """The same reading with these cautions."""
        return replace(self, cautions=tuple(cautions))


@dataclass(frozen=True, slots=True)
class Entry:
    """A reading as a person gives it, before it is read: one arc may become two measurements.

    `fields` holds motion, mode and every other context field by name. `value` is text, so that a number keeps its
    decimals and an arc its order. `confirmed` is the reason given for something unlikely, `key` identifies the reading
    where it came from, `text` is the line of shorthand it was read from.
    """

    kind: str
    side: str
    site: str
    value: str = ""
    unit: str = ""
    convention: str = ""
    fields: Mapping[str, str] = field(default_factory=dict)
    trials: tuple[str, ...] = ()
    absent: str = ""
    confirmed: str = ""
    note: str = ""
    key: str = ""
    text: str = ""


Better = Literal["more", "less", "unstated"]
Reader = Callable[["MeasurementKind", Entry, Site], Iterable[tuple[Mapping[str, str], Value]]]
Check = Callable[[Measurement], Iterable[Finding]]
SetCheck = Callable[[tuple[Measurement, ...]], Iterable[tuple[Measurement, Finding]]]


@dataclass(frozen=True)
class MeasurementKind:
    """The one declaration of a kind of measurement.

    `name` and every code are permanent: never renamed, never reused. `version` grows when the meaning of a
    declaration changes; readers of all released versions stay. `sites` are part keys. `axes` make the code together
    with `stem` (and the side, where `side_in_code`). `values` are the codes of a coded value; `units` the units a
    number may have, the first of them the usual one; a kind with both has a number or a code. `series_key` names what
    must agree before two readings may stand in one line; `watched` what may change but is marked. `read` turns an
    entry into named values. `checks` look at one reading, `set_checks` at all readings of one visit. `same` gives
    codings of equal meaning by axes, `broader` those that include ours. `sides` are the sides a kind is measured on,
    `""` for what belongs to the person. `needs_motion` tells a kind that a fused joint rules out, `on_stump` one that
    is measured on what remains of a digit as well. `panels` names the whole for an entry that becomes several
    measurements, by what was entered for the first axis (`extension-flexion` is an entry of the arc
    `flexion-extension`). `placed` tells whether a code can be measured at a site. `better` is the direction of
    improvement where there is one. `ordinary` tells whether a reading was taken as the kind is usually taken: only then
    do the codings of `same` stand beside its code, and may it count for what asks for the kind alone.
    """

    name: str
    version: int
    title: str
    description: str
    sites: tuple[str, ...]
    stem: str
    axes: tuple[Field, ...]
    fields: tuple[Field, ...]
    units: tuple[str, ...]
    series_key: tuple[str, ...]
    watched: tuple[str, ...]
    read: Reader
    display: Callable[[Mapping[str, str]], str]
    side_in_code: bool = False
    sides: tuple[Laterality, ...] = SIDES
    needs_motion: bool = False
    on_stump: bool = False
    values: Mapping[str, Term] = field(default_factory=dict)
    conventions: Mapping[str, Term] = field(default_factory=dict)
    summary_rules: Mapping[str, Term] = field(default_factory=dict)
    bounds: Callable[[Site, Mapping[str, str]], Bounds | None] = lambda _site, _axes: None
    checks: tuple[Check, ...] = ()
    set_checks: tuple[SetCheck, ...] = ()
    same: Callable[[Mapping[str, str]], tuple[Coding, ...]] = lambda _axes: ()
    broader: Callable[[Mapping[str, str]], tuple[Coding, ...]] = lambda _axes: ()
    panels: Mapping[str, str] = field(default_factory=dict)
    better: Callable[[Mapping[str, str]], Better] = lambda _axes: "unstated"
    placed: Callable[[Site, Mapping[str, str]], bool] = lambda _site, _axes: True
    ordinary: Callable[[Measurement], bool] = lambda _reading: True

    @property
    def all_fields(self) -> tuple[Field, ...]:
        """Every field: those of the code, then the kind's own context, then what all kinds share."""
        return self.axes + self.context_fields

    @cached_property
    def context_fields(self) -> tuple[Field, ...]:
        """Every field that is not part of the code, those that follow from conventions and trials included."""
        implied = []
        if self.conventions:
            implied.append(Field("convention", "How the numbers were written", self.conventions))
        if self.summary_rules:
            implied.append(Field("summary_rule", "How trials made the value", self.summary_rules))
        return self.fields + COMMON + tuple(implied)

    @property
    def places(self) -> tuple[Site, ...]:
        """Every site where it is measured, side by side."""
        return tuple(Site(side, part) for side in self.sides for part in self.sites if side in PARTS[part].sides)

    def code(self, axes: Mapping[str, str]) -> str:
        """The local code of these answers: `flexion-active-free`."""
        parts = [self.stem] if self.stem else []
        parts += [axes["side"]] if self.side_in_code else []
        return "-".join(parts + [axes[a.name] for a in self.axes])

    def panel_code(self, axes: Mapping[str, str]) -> str:
        """The local code of the whole whose first axis was entered as one of `panels`."""
        first, *others = self.axes
        return "-".join([self.panels[axes[first.name]], "arc", *(axes[a.name] for a in others)])

    @property
    def panel_concepts(self) -> Mapping[str, Term]:
        """Every code a whole can have, with its term."""
        return panel_concepts_of(self)

    @property
    def concepts(self) -> Mapping[str, tuple[Term, Mapping[str, str]]]:
        """Every code this kind can have, with its term and the answers it stands for."""
        return concepts_of(self)
