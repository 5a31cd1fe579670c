"""Results of metrics, and what is made of them, as plain JSON values: dict, list, str, int, bool, None and Decimal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from functools import singledispatch
from typing import Any

from service.domain.anatomy import Site
from service.domain.error import NOT_PUBLISHED
from service.domain.kinds import KINDS
from service.domain.measurement import ABSENT_REASONS, Absent, Coded, Measurement
from service.domain.metric import Missing, Result
from service.domain.metrics import METRICS


@singledispatch
def plain(value: object) -> Any:
    """The value as JSON would have it. A dataclass becomes an object of its fields, unless it is treated below."""
    if is_dataclass(value) and not isinstance(value, type):
        return _object(value)
    return value


def _object(value: Any, skip: tuple[str, ...] = ()) -> dict[str, Any]:
    made = {f.name: plain(getattr(value, f.name)) for f in fields(value) if f.name not in skip}
    if "errors" in made:
        made["error"] = made.pop("errors") or NOT_PUBLISHED
    return made


@plain.register(Mapping)
def _mapping(value: Mapping[str, object]) -> dict[str, Any]:
    return {name: plain(each) for name, each in value.items()}


@plain.register(tuple)
@plain.register(list)
def _sequence(value: tuple[object, ...] | list[object]) -> list[Any]:
    return [plain(each) for each in value]


@plain.register
def _date(value: date) -> str:
    return value.isoformat()


@plain.register
def _site(value: Site) -> dict[str, Any]:
    return {"code": value.code, "name": value.name}


@plain.register
def _missing(value: Missing) -> dict[str, Any]:
    return {"absent": value.rule, "reason": value.reason}


@plain.register
def _absent(value: Absent) -> dict[str, Any]:
    return {"absent": value.reason, "reason": ABSENT_REASONS[value.reason]}


@plain.register
def _result(result: Result) -> dict[str, Any]:
    """A composite names its inputs; the readings themselves stand in the parts it is made of."""
    metric = METRICS[result.metric]
    value = plain(result.value)
    if isinstance(result.value, Coded):
        value["display"] = metric.values[result.value.code].display
    inputs = [_name(m) if result.parts else plain(m) for m in result.inputs]
    return {"title": metric.title, "value": value, **_object(result, skip=("value", "inputs")), "inputs": inputs}


def _name(reading: Measurement) -> dict[str, Any]:
    where = reading.circumstances
    return {"id": where.id, "version": where.version, "code": KINDS[reading.kind].code(reading.axes)}


@plain.register
def _reading(reading: Measurement) -> dict[str, Any]:
    kind = KINDS[reading.kind]
    value = plain(reading.value)
    if isinstance(reading.value, Coded):
        value["display"] = kind.values[reading.value.code].display
    return {
        **_name(reading),
        "kind": reading.kind,
        "display": kind.display(reading.axes),
        "site": plain(reading.site),
        "taken": plain(reading.circumstances.taken),
        "value": value,
        "context": dict(reading.context),
        "trials": plain(reading.trials),
        "cautions": plain(reading.cautions),
    }
