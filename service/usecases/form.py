"""JSON documents that people and programs send, held against the form they must have."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, StringConstraints, ValidationError, WithJsonSchema

from service.errors import Issue, Malformed


class Form(BaseModel):
    """An object with these members and no others; nothing is turned from one type into another."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _day(given: Any) -> Any:
    if not isinstance(given, str) or len(given) != len("2026-03-02"):
        raise ValueError("a day is written as 2026-03-02")
    return date.fromisoformat(given)


Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Day = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
Filled = TypeVar("Filled", bound=Form)


def filled(document: Mapping[str, Any], form: type[Filled], place: str = "") -> Filled:
    """The document as this form. Raises `Malformed` with every fault and its place, each below `place`."""
    try:
        return form.model_validate(document)
    except ValidationError as error:
        raise Malformed(*(_issue(place, fault) for fault in error.errors(include_url=False))) from None


def _issue(place: str, fault: Any) -> Issue:
    steps = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in fault["loc"])
    where = f"{place}{steps}" if place else steps.removeprefix(".")
    given = "" if fault["type"] == "missing" or isinstance(fault["input"], (dict, list)) else str(fault["input"])
    said = str(fault["ctx"]["error"]) if fault["type"] == "value_error" else fault["msg"]
    return Issue("structure", f"{said.rstrip('.')}.", where, given, fault["type"].replace("_", "-"))
