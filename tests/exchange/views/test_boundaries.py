"""Boundaries of decimals, dates and times: the worked examples of FHIRPath's text, from memory, and the rule itself."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from service.errors import Invalid
from service.exchange.views.definition import read_view
from service.exchange.views.runner import rows


def bounds(resource: dict[str, Any], path: str) -> tuple[Any, Any]:
    select = {"column": [{"name": f"{side}", "path": f"{path}.{side}Boundary()"} for side in ("low", "high")]}
    (row,) = rows(read_view({"resource": resource["resourceType"], "select": [select]}), [resource])
    return row["low"], row["high"]


@pytest.mark.parametrize(
    ("value", "low", "high"),
    [("1.0", "0.95", "1.05"), ("1", "0.5", "1.5"), ("1.587", "1.5865", "1.5875"), ("-0.5", "-0.55", "-0.45")],
)
def test_a_decimal_stands_for_half_a_step_either_way(value: str, low: str, high: str) -> None:
    resource = {"resourceType": "Observation", "valueQuantity": {"value": Decimal(value)}}
    assert bounds(resource, "value.ofType(Quantity).value") == (Decimal(low), Decimal(high))


@pytest.mark.parametrize(
    ("date", "low", "high"),
    [
        ("1970", "1970-01-01", "1970-12-31"), ("1970-06", "1970-06-01", "1970-06-30"),
        ("2024-02", "2024-02-01", "2024-02-29"), ("1970-06-10", "1970-06-10", "1970-06-10"),
    ],
)  # fmt: skip
def test_a_date_stands_for_its_days(date: str, low: str, high: str) -> None:
    assert bounds({"resourceType": "Patient", "birthDate": date}, "birthDate") == (low, high)


@pytest.mark.parametrize(
    ("time", "low", "high"),
    [
        ("2010-10-10", "2010-10-10T00:00:00.000+14:00", "2010-10-10T23:59:59.999-12:00"),
        ("2010-10-10T10:00:00+01:00", "2010-10-10T10:00:00.000+01:00", "2010-10-10T10:00:00.999+01:00"),
    ],
)
def test_a_time_stands_for_all_zones_unless_it_names_one(time: str, low: str, high: str) -> None:
    resource = {"resourceType": "Observation", "effectiveDateTime": time}
    assert bounds(resource, "effective.ofType(dateTime)") == (low, high)


def test_what_has_no_boundary_is_refused() -> None:
    with pytest.raises(Invalid):
        bounds({"resourceType": "Patient", "gender": "female"}, "gender")
