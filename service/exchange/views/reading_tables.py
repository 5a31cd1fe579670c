"""The tables of readings: one for each kind of measurement, generated from its declaration, and one of all trials."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any

from service.domain.anatomy import SIDES
from service.domain.field import UNKNOWN, Field
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, MeasurementKind
from service.domain.terms import Term
from service.exchange.views.column import (
    Place,
    TableColumn,
    captured_column,
    code_column,
    extension_column,
    first_code,
    key_column,
    linked_column,
    reference_column,
    value_column,
    walk,
)
from service.exchange.views.table import Each, Table, claiming, standing
from service.fhir.canonical import UCUM
from service.fhir.observation import (
    ABSENT_SYSTEM,
    CAUTION,
    CONTEXT_SYSTEM,
    OBSERVATION_CODE,
    ORTHOSIS_WORN,
    SITE_SYSTEM,
    TRIAL,
    answer_system,
    field_code,
    profile_of,
    value_system,
)
from service.fhir.study import DAYS
from service.fhir.text import Json

_NOT_RECORDED = "'unknown' where it was not recorded; empty where it was withheld as free text"
_SIDE, _PART = "(left|right|both)-.+", "(?:left|right|both)-(.+)|person"


def reading_tables() -> Iterator[Table]:
    """The table of each kind, then that of all trials."""
    for kind in KINDS.values():
        yield Table(
            name=kind.name,
            title=kind.title,
            description=f"{kind.description} One row a reading, those entered in error left out.",
            resource="Observation",
            conditions=(claiming(profile_of(kind)), *standing("status")),
            own=(*_around(), *_axes(kind), *site_columns(), *_value(kind), *_context(kind), *_marks(kind)),
            narrowing=(("code", ",".join(f"{OBSERVATION_CODE}|{code}" for code in kind.concepts)),),
        )
    yield _trials()


def _around() -> Iterator[TableColumn]:
    yield key_column("reading", "Key of the reading")
    yield reference_column("patient", ("subject",), "Patient", "Key of the patient")
    yield reference_column("visit", ("encounter",), "Encounter", "Key of the visit")
    yield from time_columns(("effectiveDateTime",), "When the reading was taken")
    yield value_column("status", ("status",), "Whether it is preliminary, final, amended or corrected", type="code")
    yield linked_column(
        "regimen", ORTHOSIS_WORN, "DeviceUseStatement", "Key of the regimen of the orthosis that was worn"
    )


def time_columns(steps: tuple[str | int, ...], meaning: str) -> Iterator[TableColumn]:
    """A time as it is written, and the day in a release that tells no dates."""
    missing = "empty in a release that tells no dates"
    yield value_column("taken", steps, meaning, type="dateTime", missing=missing)
    yield extension_column(
        "study_day", (DAYS,), "Integer", (), "Whole days since the first visit of the patient in the release",
        type="integer", missing="empty outside such a release", kind="computed",
        formula="calendar day of the time less calendar day of the first visit",
    )  # fmt: skip


def _axes(kind: MeasurementKind) -> Iterator[TableColumn]:
    """The code, then each answer it stands for."""
    words = {code: term.display for code, (term, _) in kind.concepts.items()}
    code = code_column("code", ("code",), OBSERVATION_CODE, "What was measured, as one code", values=words)
    yield code
    lead = "".join(f"{part}-" for part in (kind.stem, "(?:left|right|both)" if kind.side_in_code else "") if part)
    for axis in kind.axes:
        groups = [f"({'|'.join(_longest(each))})" for each in kind.axes]
        pattern = lead + "-".join(
            g if each is axis else f"(?:{g[1:]}" for each, g in zip(kind.axes, groups, strict=True)
        )
        yield captured_column(
            axis.name, code.path, code.read, pattern, axis.title, values=words_of(axis), missing="never empty",
            coding=answer_system(kind, axis),
        )  # fmt: skip


def _longest(axis: Field) -> list[str]:
    return sorted(axis.codes, key=lambda code: (-len(code), code))


def words_of(asked: Field) -> dict[str, str]:
    """The answers to a field, in words."""
    return _words(asked.choices) | ({} if asked.required else {UNKNOWN: "not recorded"})


def _words(terms: Mapping[str, Term]) -> dict[str, str]:
    return {code: term.display for code, term in terms.items()}


def site_columns(steps: tuple[str | int, ...] = ("bodySite",)) -> Iterator[TableColumn]:
    """The site as one code, its side and its part."""
    missing = "empty where what was measured belongs to the person"
    site = code_column("site", steps, SITE_SYSTEM, "Where, side and part as one code", missing=missing)
    yield site
    yield captured_column(
        "side", site.path, site.read, _SIDE, "Side", values={each: each for each in (*SIDES, "both")}, missing=missing
    )
    yield captured_column("part", site.path, site.read, _PART, "Part of the limb, without its side", missing=missing)


def _value(kind: MeasurementKind) -> Iterator[TableColumn]:
    none = "empty where there is no such value: see absent"
    if kind.units:
        units = ", ".join(kind.units)
        yield value_column(
            "value", ("valueQuantity", "value"), "The number measured", type="decimal", unit="unit", missing=none
        )
        yield value_column(
            "comparator", ("valueQuantity", "comparator"), "That the value lies beyond this number", type="code",
            missing="empty where the number is the value",
        )  # fmt: skip
        yield value_column(
            "unit", ("valueQuantity", "code"), f"Unit of the value: {units}", type="code", coding=UCUM, missing=none
        )
    if kind.values:
        yield code_column(
            "value_code", ("valueCodeableConcept",), value_system(kind), "The value as a code",
            values=_words(kind.values), missing=none,
        )  # fmt: skip
    yield value_column(
        "absent", ("dataAbsentReason", "coding", 0, "code"), "Why there is no value", type="code",
        coding=ABSENT_SYSTEM, values=ABSENT_REASONS, missing="empty where there is a value",
    )  # fmt: skip


def _context(kind: MeasurementKind) -> Iterator[TableColumn]:
    for asked in kind.context_fields:
        if asked.place == "method":
            yield _method(kind, asked)
        elif asked.units:
            yield from _amount(asked)
        elif asked.choices:
            yield _answer(asked, "CodeableConcept", answer_system(kind, asked))
        else:
            yield _answer(asked, "string", "")


def _method(kind: MeasurementKind, asked: Field) -> TableColumn:
    system = answer_system(kind, asked)
    path = f"(method.coding.where(system = '{system}').code | method.extension.value.ofType(code)).first()"

    def read(at: Place) -> str | None:
        method = at.resource.get("method") or {}
        return first_code(method, system) or walk(method, ("extension", 0, "valueCode"))

    return TableColumn(
        asked.name, path, read, asked.title, "code", coding=system, values=words_of(asked), missing=_NOT_RECORDED
    )


def component_path(code: str) -> str:
    """The component of a reading's context with this code."""
    return f"component.where(code.coding.where(system = '{CONTEXT_SYSTEM}').code.first() = '{code}').first()"


def _answer(asked: Field, kind: str, system: str) -> TableColumn:
    """The answer to a field: a code, a text, or that it is unknown."""
    code = field_code(asked)
    value = f"value.ofType({kind})" + (f".coding.where(system = '{system}').code.first()" if system else "")

    def read(at: Place) -> str | None:
        component = at.component(code)
        stated = (
            first_code(component.get("valueCodeableConcept"), system) if system else component.get("valueString")
        )  # fmt: skip
        return stated or walk(component, ("dataAbsentReason", "coding", 0, "code"))

    return TableColumn(
        asked.name,
        f"{component_path(code)}.select({value} | dataAbsentReason.coding[0].code).first()",
        read,
        asked.title,
        "code" if system else "string",
        coding=system,
        values=words_of(asked) if system else {},
        missing=_NOT_RECORDED,
    )


def _amount(asked: Field) -> Iterator[TableColumn]:
    code, missing = field_code(asked), "empty where it was not recorded"
    names = {asked.name: ("value", "decimal", asked.title), f"{asked.name}_unit": ("code", "code", "Its unit")}
    for name, (element, kind, meaning) in names.items():
        yield TableColumn(
            name, f"{component_path(code)}.value.ofType(Quantity).{element}", _amount_reader(code, element), meaning,
            kind, unit=f"{asked.name}_unit" if kind == "decimal" else "", missing=missing,
            coding="" if kind == "decimal" else UCUM,
        )  # fmt: skip


def _amount_reader(code: str, element: str) -> Any:
    return lambda at: walk(at.component(code), ("valueQuantity", element))


def _marks(kind: MeasurementKind) -> Iterator[TableColumn]:
    if kind.summary_rules:
        yield _count("trials", TRIAL, "Number of attempts, those not done included (see the table of trials)")
    yield _count("confirmed", CAUTION, "Number of unlikely things about the reading that a person confirmed")


def _count(name: str, code: str, meaning: str) -> TableColumn:
    where = f"component.where(code.coding.where(system = '{CONTEXT_SYSTEM}').code.first() = '{code}')"
    return TableColumn(
        name, f"{where}.count()", lambda at: len(at.components.get(code, ())), meaning, "integer", unit="1",
        missing="never empty", kind="computed", formula="count of components",
    )  # fmt: skip


def _of_code(resource: Json, code: str) -> list[Json]:
    components = resource.get("component") or ()
    return [each for each in components if first_code(each.get("code"), CONTEXT_SYSTEM) == code]


def _trials() -> Table:
    where = f"component.where(code.coding.where(system = '{CONTEXT_SYSTEM}').code.first() = '{TRIAL}')"
    columns: list[Iterator[TableColumn]] = [
        iter([TableColumn("trial", "%rowIndex", lambda at: at.number, "Its place in the order of attempts, from 0",
                          "integer", unit="1", missing="never empty")]),
        iter([
            value_column("value", ("valueQuantity", "value"), "The number measured", type="decimal", unit="unit"),
            value_column("unit", ("valueQuantity", "code"), "Its unit", type="code", coding=UCUM),
            value_column(
                "absent", ("dataAbsentReason", "coding", 0, "code"), "Why there is no number", type="code",
                coding=ABSENT_SYSTEM, values=ABSENT_REASONS, missing="empty where there is a number",
            ),
        ]),
    ]  # fmt: skip
    return Table(
        name="trials",
        title="Trials",
        description="Every single attempt behind a reading, in order. One row an attempt.",
        resource="Observation",
        conditions=standing("status"),
        own=(
            key_column("reading", "Key of the reading"),
            reference_column("patient", ("subject",), "Patient", "Key of the patient"),
            code_column("code", ("code",), OBSERVATION_CODE, "What was measured, as one code"),
        ),
        each=Each(where, lambda resource: _of_code(resource, TRIAL)),
        inner=tuple(chain.from_iterable(columns)),
    )
