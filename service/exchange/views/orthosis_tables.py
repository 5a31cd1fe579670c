"""The tables of orthosis episodes: plans, made orthoses with their facets, regimens, events and hours worn."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from service.domain.orthosis.design import FABRICATION, FORMS, MECHANISMS, MOTIONS, PURPOSES, REGIONS, REMOVABLE
from service.domain.orthosis.dose import SOURCES
from service.domain.orthosis.episode import ACTS, END_REASONS
from service.domain.orthosis.regimens import WEARING
from service.exchange.views.column import (
    Place,
    TableColumn,
    code_column,
    extension_column,
    key_column,
    linked_column,
    reference_column,
    value_column,
    walk,
)
from service.exchange.views.reading_tables import site_columns, time_columns
from service.exchange.views.record_tables import patient, site_of_property
from service.exchange.views.table import Each, Table, claiming, standing
from service.fhir.observation import ORTHOSIS_WORN, SITE_SYSTEM
from service.fhir.orthosis import names
from service.fhir.orthosis.device import PROPERTIES
from service.fhir.orthosis.wear import WEAR_PROFILE, WEAR_SYSTEM
from service.fhir.reading import code_in
from service.fhir.text import Json

_FACETS = {
    "form": (names.FORM_SYSTEM, FORMS),
    "region": (names.REGION_SYSTEM, REGIONS),
    "purpose": (names.PURPOSE_SYSTEM, PURPOSES),
    "mechanism": (names.MECHANISM_SYSTEM, MECHANISMS),
    "fabrication": (names.FABRICATION_SYSTEM, FABRICATION),
    "removable": (names.REMOVABLE_SYSTEM, REMOVABLE),
}


def orthosis_tables() -> Iterator[Table]:
    """Every table of this module."""
    yield from (_episodes(), _orthoses(), _parts(), _regimens(), _events(), _wear())


def _episode(steps: tuple[str | int, ...]) -> TableColumn:
    return reference_column("episode", steps, "ServiceRequest", "Key of the orthosis episode (its plan)")


def _device(steps: tuple[str | int, ...]) -> TableColumn:
    return reference_column("orthosis", steps, "Device", "Key of the made orthosis")


def _episodes() -> Table:
    return Table(
        name="orthosis-episodes",
        title="Orthosis episodes",
        description="One row an orthosis that was planned. Its state follows from status, regimens and events.",
        resource="ServiceRequest",
        conditions=(claiming(names.PLAN_PROFILE), *standing("status")),
        own=(
            key_column("episode", "Key of the orthosis episode (its plan)"),
            patient(),
            *time_columns(("authoredOn",), "Day on which the orthosis was decided on"),
            value_column("planned", ("occurrenceDateTime",), "Day for which it was planned", type="dateTime"),
            value_column("status", ("status",), "Status of the plan", type="code"),
            *site_columns(("bodySite", 0)),
            extension_column(
                "series_number", (names.extension("series"), "number"), "PositiveInt", (),
                "Its number in a series of orthoses", type="positiveInt", unit="1",
            ),
        ),
    )  # fmt: skip


def _orthoses() -> Table:
    return Table(
        name="orthoses",
        title="Made orthoses",
        description="One row a made orthosis, as it is now. Joints and angles stand in the table of their parts.",
        resource="Device",
        conditions=(claiming(names.ORTHOSIS_PROFILE), *standing("status")),
        own=(
            key_column("orthosis", "Key of the made orthosis"),
            patient("patient"),
            value_column("status", ("status",), "Status of the device", type="code"),
            _property_column("side", SITE_SYSTEM, {}, "The hand it is worn on"),
            *(_property_column(name, *facet, PROPERTIES[name]) for name, facet in _FACETS.items()),
            _property_column("direction", names.DIRECTION_SYSTEM, MOTIONS, PROPERTIES["direction"]),
        ),
    )


def _property_path(code: str) -> str:
    return f"property.where(type.coding.where(system = '{names.PROPERTY_SYSTEM}').code.first() = '{code}')"


def _of_type(resource: Json, code: str) -> list[Json]:
    given = resource.get("property") or ()
    return [each for each in given if code_in(each.get("type"), names.PROPERTY_SYSTEM) == code]


def _property_column(name: str, system: str, words: dict[str, str], meaning: str) -> TableColumn:
    def read(at: Place) -> str | None:
        found = [code_in(code, system) for each in _of_type(at.resource, name) for code in each.get("valueCode") or ()]
        return next((code for code in found if code), None)

    path = f"{_property_path(name)}.valueCode.coding.where(system = '{system}').code.first()"
    return TableColumn(name, path, read, meaning, "code", coding=system, values=words)


_PLACED = ("digit", "joint-held", "joint-spanned", "joint-blocked", "joint-free")


def _parts() -> Table:
    listed = " or ".join(f"$this = '{code}'" for code in _PLACED)
    each = (
        f"property.where(type.coding.where(system = '{names.PROPERTY_SYSTEM}').code.first().where({listed}).exists())"
    )

    def read(resource: Json) -> list[Json]:
        given = resource.get("property") or []
        return [one for one in given if code_in(one.get("type"), names.PROPERTY_SYSTEM) in _PLACED]

    site = f"valueCode.coding.where(system = '{SITE_SYSTEM}').code.first()"
    direction = f"valueCode.coding.where(system = '{names.DIRECTION_SYSTEM}').code.first()"
    return Table(
        name="orthosis-parts",
        title="Parts of the hand and their orthoses",
        description="What an orthosis holds, blocks, spans or leaves free. One row a part of the hand.",
        resource="Device",
        conditions=(claiming(names.ORTHOSIS_PROFILE), *standing("status")),
        own=(key_column("orthosis", "Key of the made orthosis"), patient("patient")),
        each=Each(each, read),
        inner=(
            code_column(
                "what", ("type",), names.PROPERTY_SYSTEM, "What the orthosis does to the part",
                values={code: PROPERTIES[code] for code in _PLACED}, missing="never empty",
            ),
            TableColumn("site", site, site_of_property, "The part, with its side", "code", coding=SITE_SYSTEM),
            TableColumn(
                "direction", direction, _direction, "Direction from neutral", "code", coding=names.DIRECTION_SYSTEM,
                values=MOTIONS,
            ),
            TableColumn(
                "angle", "valueQuantity.value.first()", _angle, "Its angle from neutral", "decimal", unit="deg",
                missing="empty where it was not recorded",
            ),
        ),
    )  # fmt: skip


def _angle(at: Place) -> Decimal | None:
    found: Decimal | None = walk(at.item, ("valueQuantity", 0, "value"))
    return found


def _direction(at: Place) -> str | None:
    codes = (code_in(code, names.DIRECTION_SYSTEM) for code in at.item.get("valueCode") or ())
    return next((code for code in codes if code), None)


def _regimens() -> Table:
    bounds = ("timingTiming", "repeat", "boundsPeriod")
    return Table(
        name="regimens",
        title="Regimens",
        description="How an orthosis was to be worn, from when to when. One row a regimen.",
        resource="DeviceUseStatement",
        conditions=(claiming(names.WEARING_PROFILE), *standing("status")),
        own=(
            key_column("regimen", "Key of the regimen"),
            patient(),
            _episode(("basedOn", 0)),
            _device(("device",)),
            *time_columns((*bounds, "start"), "Beginning of the regimen"),
            value_column("ended", (*bounds, "end"), "Its end", type="dateTime", missing="empty while it is in force"),
            value_column("status", ("status",), "Status of the regimen", type="code"),
            code_column(
                "wearing", ("timingTiming", "code"), names.WEARING_SYSTEM, "How it is to be worn", values=WEARING
            ),
            value_column(
                "hours", ("timingTiming", "repeat", "duration"), "Hours a day prescribed", type="decimal", unit="h",
                missing="empty where no number was prescribed",
            ),
        ),
    )  # fmt: skip


def _events() -> Table:
    words = {kind: act.title for kind, act in ACTS.items()}
    return Table(
        name="orthosis-events",
        title="Events of orthoses",
        description="What happened to an orthosis beside its regimens. One row an event.",
        resource="Procedure",
        conditions=(claiming(names.EVENT_PROFILE), *standing("status")),
        own=(
            key_column("event", "Key of the event"),
            patient(),
            _episode(("basedOn", 0)),
            _device(("focalDevice", 0, "manipulated")),
            *time_columns(("performedDateTime",), "When it happened"),
            code_column("act", ("code",), names.EVENT_SYSTEM, "What happened", values=words),
            extension_column(
                "place", (names.extension("event-place"),), "PositiveInt", (),
                "Its number in the order of recording", type="positiveInt", unit="1",
            ),
            code_column("reason", ("outcome",), names.END_SYSTEM, "Why the wearing ended", values=END_REASONS),
            extension_column(
                "red_flag", (names.extension("red-flag"),), "Boolean", (), "Whether a check raised a red flag",
                type="boolean", missing="empty where none was raised",
            ),
        ),
    )  # fmt: skip


def _wear() -> Table:
    return Table(
        name="hours-worn",
        title="Hours worn",
        description="Hours for which an orthosis was worn on a day, as reported or sensed. One row a day and source.",
        resource="Observation",
        conditions=(claiming(WEAR_PROFILE), *standing("status")),
        own=(
            key_column("observation", "Key of the Observation"),
            patient(),
            _device(("device",)),
            linked_column("regimen", ORTHOSIS_WORN, "DeviceUseStatement", "Key of the regimen in force that day"),
            *time_columns(("effectivePeriod", "start"), "The day"),
            code_column("by", ("code",), WEAR_SYSTEM, "By what the hours are known", values=SOURCES),
            value_column("hours", ("valueQuantity", "value"), "Hours worn", type="decimal", unit="h"),
            extension_column(
                "uncertainty", (names.extension("wear-uncertainty"),), "Quantity", ("value",),
                "Uncertainty of the hours, either way", type="decimal", unit="h",
            ),
        ),
    )  # fmt: skip
