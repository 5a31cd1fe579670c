"""The tables of what stands around readings: patients, visits, courses, parts of the hand, and results of metrics."""

from __future__ import annotations

from collections.abc import Iterator

from service.domain.anatomy import SIDES, STATES
from service.domain.course import ZONES
from service.domain.metrics import METRICS
from service.exchange.views.column import (
    Place,
    TableColumn,
    code_column,
    extension_column,
    key_column,
    reference_column,
    value_column,
    walk,
)
from service.exchange.views.reading_tables import site_columns, time_columns
from service.exchange.views.table import Condition, Each, Table, claiming, standing
from service.fhir.canonical import UCUM
from service.fhir.course import AFFECTED, ANGLE, COURSE_PROFILE, DOMINANT, LEVEL, REFERENCE, STATE_PROFILE, STATE_SYSTEM
from service.fhir.derived import CATEGORY, CONDITION_SYSTEM, DERIVED, FORMULA_SYSTEM, METRIC_SYSTEM, is_derived
from service.fhir.events import INJURY_PROFILE, OPERATION_PROFILE, ZONE
from service.fhir.observation import SITE_SYSTEM
from service.fhir.reading import code_in
from service.fhir.research_extensions import FIRST_YEAR, OVER_89
from service.fhir.text import Json

_RESULTS = (("category", f"{CATEGORY}|{DERIVED}"),)
_GENDERS = {"male": "male", "female": "female", "other": "other", "unknown": "unknown"}


def record_tables() -> Iterator[Table]:
    """Every table of this module."""
    yield from (
        _patients(),
        _visits(),
        _courses(),
        _part_states(),
        _injuries(),
        _operations(),
        _metrics(),
        _conditions(),
    )


def patient(element: str = "subject") -> TableColumn:
    """The key of the patient."""
    return reference_column("patient", (element,), "Patient", "Key of the patient")


def _patients() -> Table:
    return Table(
        name="patients",
        title="Patients",
        description="One row a patient.",
        resource="Patient",
        conditions=(),
        own=(
            key_column("patient", "Key of the patient"),
            value_column("gender", ("gender",), "Administrative gender", type="code", values=_GENDERS),
            value_column(
                "born", ("birthDate",), "Date of birth, or its year", type="date",
                missing="empty in a release that tells no dates, and above the age that is grouped",
            ),
            extension_column(
                "first_year", (FIRST_YEAR.url,), "Integer", (), "Year of the first visit", type="integer", unit="a",
                missing="empty outside a release that tells no dates", kind="computed",
                formula="year of the first visit of the patient in the release",
            ),
            extension_column(
                "over_89", (OVER_89.url,), "Boolean", (), "Older than 89 at the end of the release", type="boolean",
                missing="empty for the younger, and outside a release", kind="computed",
                formula="age at the end of the release above 89",
            ),
            value_column("deceased", ("deceasedBoolean",), "Whether the patient is known to have died", type="boolean"),
        ),
    )  # fmt: skip


def _visits() -> Table:
    return Table(
        name="visits",
        title="Visits",
        description="One row a visit, those entered in error left out.",
        resource="Encounter",
        conditions=standing("status"),
        own=(
            key_column("visit", "Key of the visit"),
            patient(),
            *time_columns(("period", "start"), "When the visit began"),
            value_column("status", ("status",), "Status of the visit; finished once it was signed", type="code"),
        ),
    )


def _courses() -> Table:
    sides = (("affected", AFFECTED), ("reference", REFERENCE), ("dominant", DOMINANT))
    return Table(
        name="courses",
        title="Courses of therapy",
        description="One row a course of therapy, those entered in error left out.",
        resource="EpisodeOfCare",
        conditions=(claiming(COURSE_PROFILE), *standing("status")),
        own=(
            key_column("course", "Key of the course"),
            patient("patient"),
            *time_columns(("period", "start"), "Day on which the course began"),
            value_column("ended", ("period", "end"), "Day on which it ended", type="dateTime"),
            *(_sided(name, url) for name, url in sides),
            _free_text("reason", ("type", 0, "text"), "Why the course began"),
        ),
    )  # fmt: skip


def _sided(name: str, url: str) -> TableColumn:
    """A side that a course names; both, where it names both."""

    def read(at: Place) -> str | None:
        given = [e.get("valueCode") for e in at.resource.get("extension") or () if e.get("url") == url]
        return "both" if len(given) > 1 else given[0] if given else None

    found = f"extension('{url}').value.ofType(code)"
    path = f"iif({found}.count() > 1, 'both', {found}.first())"
    words = {each: each for each in (*SIDES, "both")}
    return TableColumn(f"{name}_side", path, read, f"The {name} side", "code", values=words)


def _part_states() -> Table:
    return Table(
        name="part-states",
        title="States of parts of the hand",
        description="One row a part that is absent, fused, replaced or otherwise changed from a day on.",
        resource="Condition",
        conditions=(claiming(STATE_PROFILE),),
        own=(
            key_column("condition", "Key of the condition"),
            patient(),
            *time_columns(("onsetDateTime",), "Day from which it holds"),
            code_column("state", ("code",), STATE_SYSTEM, "What the part is like", values=STATES),
            *site_columns(("bodySite", 0)),
            extension_column("level", (LEVEL,), "Code", (), "Level of a loss", type="code"),
            extension_column(
                "fused_angle", (ANGLE,), "Quantity", ("value",), "Angle of a fusion", type="decimal", unit="deg"
            ),
        ),
    )


def _injuries() -> Table:
    zones = {code: term.display for code, term in ZONES.items()}
    return Table(
        name="injuries",
        title="Injuries and illnesses treated",
        description="One row an injury.",
        resource="Condition",
        conditions=(claiming(INJURY_PROFILE),),
        own=(
            key_column("condition", "Key of the condition"),
            patient(),
            *time_columns(("onsetDateTime",), "Day of the injury"),
            *site_columns(("bodySite", 0)),
            _sites_column(),
            extension_column("zone", (ZONE,), "Code", (), "Zone of a tendon injury", type="code", values=zones),
            _free_text("what", ("code", "text"), "What was injured"),
        ),
    )


def _operations() -> Table:
    return Table(
        name="operations",
        title="Operations",
        description="One row an operation, those entered in error left out.",
        resource="Procedure",
        conditions=(claiming(OPERATION_PROFILE), *standing("status")),
        own=(
            key_column("operation", "Key of the operation"),
            patient(),
            *time_columns(("performedDateTime",), "Day of the operation"),
            *site_columns(("bodySite", 0)),
            _sites_column(),
            _free_text("what", ("code", "text"), "What was done"),
        ),
    )


def _sites_column() -> TableColumn:
    def read(at: Place) -> int:
        return len(at.resource.get("bodySite") or ())

    return TableColumn(
        "sites", "bodySite.count()", read, "Number of parts named, of which the site is the first", "integer",
        unit="1", missing="never empty", kind="computed", formula="count of sites",
    )  # fmt: skip


def _free_text(name: str, steps: tuple[str | int, ...], meaning: str) -> TableColumn:
    return value_column(name, steps, f"{meaning}, in words", missing="empty where free text was withheld")


def _is_result() -> Condition:
    path = f"category.coding.where(system = '{CATEGORY}' and code = '{DERIVED}').exists()"
    return Condition(path, is_derived)


def _metrics() -> Table:
    names = {metric.name: metric.title for metric in METRICS.values()}
    formulas = {
        f"{m.name}-{m.version}": f"{m.formula} Source: {m.source.text} ({m.source.status})." for m in METRICS.values()
    }
    more = {"kind": "computed", "formula": "see the codes of the column formula"}
    codes = {code: f"{m.title}: {t.display}" for m in METRICS.values() for code, t in m.values.items()}
    return Table(
        name="metrics",
        title="Results of metrics",
        description="One row a result that was computed from readings and stored, those withdrawn left out.",
        resource="Observation",
        conditions=(_is_result(), *standing("status")),
        own=(
            key_column("result", "Key of the result"),
            patient(),
            reference_column("visit", ("encounter",), "Encounter", "Key of the visit"),
            *time_columns(("effectiveDateTime",), "When the readings behind it were taken"),
            value_column("status", ("status",), "Preliminary while a reading behind it is not signed", type="code"),
            code_column("metric", ("code",), METRIC_SYSTEM, "Which metric it is a result of", values=names),
            code_column("formula", ("method",), FORMULA_SYSTEM, "Formula and its version", values=formulas),
            *site_columns(),
            value_column("value", ("valueQuantity", "value"), "The number", type="decimal", unit="unit", **more),
            value_column("unit", ("valueQuantity", "code"), "Its unit", type="code", coding=UCUM),
            value_column(
                "value_code", ("valueCodeableConcept", "coding", 0, "code"), "The result as a code", type="code",
                coding="the code system of the metric's values", values=codes, **more,
            ),
            _inputs(),
        ),
        narrowing=_RESULTS,
    )  # fmt: skip


def _inputs() -> TableColumn:
    def read(at: Place) -> int:
        return len(at.resource.get("derivedFrom") or ())

    return TableColumn(
        "inputs", "derivedFrom.count()", read, "Number of readings it was computed from", "integer", unit="1",
        missing="never empty", kind="computed", formula="count of inputs",
    )  # fmt: skip


def _conditions() -> Table:
    return Table(
        name="metric-conditions",
        title="Conditions of results",
        description="What a result holds for: mode, orthosis, handle and parameters. One row a condition.",
        resource="Observation",
        conditions=(_is_result(), *standing("status")),
        own=(key_column("result", "Key of the result"), patient()),
        each=Each(f"component.where(code.coding.where(system = '{CONDITION_SYSTEM}').exists())", _condition_parts),
        inner=(
            code_column("condition", ("code",), CONDITION_SYSTEM, "Which condition or parameter"),
            value_column("answer", ("valueString",), "What it is"),
        ),
        narrowing=_RESULTS,
    )


def _condition_parts(resource: Json) -> list[Json]:
    return [each for each in resource.get("component") or () if code_in(each.get("code"), CONDITION_SYSTEM)]


def site_of_property(at: Place) -> str | None:
    """The site among the codes of a property of a Device."""
    return next((found for c in walk(at.item, ("valueCode",)) or () if (found := code_in(c, SITE_SYSTEM))), None)
