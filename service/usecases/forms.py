"""JSON that people send, held against the form it must have; the JSON Schema shown to clients follows from the form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from service.errors import Invalid, Issue
from service.fhir.text import Json


class Form(BaseModel):
    """An object with these members and no others; nothing is turned from one type into another."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _day(given: Any) -> Any:
    if not isinstance(given, str) or len(given) != len("2026-03-02"):
        raise ValueError("a day is written as 2026-03-02")
    return date.fromisoformat(given)


def one_of(allowed: Sequence[str] | Mapping[str, str]) -> Any:
    """These answers, named in the schema; the trade itself refuses any other."""
    return Field(json_schema_extra={"enum": list(allowed)})


Day = Annotated[date, BeforeValidator(_day)]
Number = Decimal | int
Filled = TypeVar("Filled", bound=Form)


def filled(form: type[Filled], document: Json) -> Filled:
    """The document as this form. Raises `Invalid` with every fault and its place."""
    try:
        return form.model_validate(document)
    except ValidationError as error:
        raise Invalid(*(_issue(fault) for fault in error.errors(include_url=False))) from None


def _issue(fault: Any) -> Issue:
    where = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in fault["loc"]).removeprefix(".")
    given = "" if fault["type"] == "missing" or isinstance(fault["input"], (dict, list)) else str(fault["input"])
    code = "required" if fault["type"] == "missing" else "structure"
    return Issue(code, f"{fault['msg'].removeprefix('Value error, ').capitalize()}.", where, given, "form")
