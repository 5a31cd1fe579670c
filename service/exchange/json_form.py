"""JSON files that people write, held against the form they must have."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, StringConstraints, ValidationError

from service.errors import Issue, Malformed
from service.fhir import text


class Form(BaseModel):
    """An object with these members and no others; nothing is turned from one type into another."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _day(given: Any) -> Any:
    if not isinstance(given, str) or len(given) != len("2026-03-02"):
        raise ValueError("a day is written as 2026-03-02")
    return date.fromisoformat(given)


Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Day = Annotated[date, BeforeValidator(_day)]
Filled = TypeVar("Filled", bound=Form)


def read_form(path: Path, form: type[Filled]) -> Filled:
    """The file as this form. Raises `Malformed` with every fault and its place in the file."""
    document = text.parse(path.read_bytes())
    try:
        return form.model_validate(document)
    except ValidationError as error:
        raise Malformed(*(_issue(path.name, fault) for fault in error.errors(include_url=False))) from None


def _issue(name: str, fault: Any) -> Issue:
    where = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in fault["loc"])
    given = "" if fault["type"] == "missing" or isinstance(fault["input"], (dict, list)) else str(fault["input"])
    said = str(fault["ctx"]["error"]) if fault["type"] == "value_error" else fault["msg"]
    return Issue("structure", f"{said.rstrip('.')}.", f"{name}{where}", given, fault["type"].replace("_", "-"))
