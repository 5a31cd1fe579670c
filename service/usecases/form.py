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
    try:
        if len(given) != len("2026-03-02"):
            raise ValueError
        return date.fromisoformat(given)
    except (TypeError, ValueError):
        raise ValueError("This is no day; one is written as 2026-03-02") from None


Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Day = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
Filled = TypeVar("Filled", bound=Form)


def filled(document: Mapping[str, Any], form: type[Filled], place: str = "") -> Filled:
    """The document as this form. Raises `Malformed` with every fault and its place, each below `place`."""
    try:
        return form.model_validate(document)
    except ValidationError as error:
        raise Malformed(*(_issue(place, fault) for fault in error.errors(include_url=False))) from None


_SAID = {
    "missing": "'{name}' is missing.",
    "extra_forbidden": "Nothing is called '{name}' here.",
    "string_type": "A text in quotes belongs here.",
    "string_too_short": "'{name}' is empty.",
    "too_short": "'{name}' needs one entry at least.",
    "int_type": "A whole number belongs here.",
    "int_parsing": "A whole number belongs here.",
    "date_from_datetime_parsing": "A day such as 2026-03-02 belongs here.",
    "date_parsing": "A day such as 2026-03-02 belongs here.",
    "datetime_parsing": "A time such as 2026-03-02T09:30:00+01:00 belongs here.",
    "bool_parsing": "true or false belongs here.",
    "decimal_type": "A number belongs here.",
    "bool_type": "true or false belongs here.",
    "list_type": "A list belongs here.",
    "dict_type": "An object belongs here.",
    "mapping_type": "An object belongs here.",
    "model_type": "An object belongs here.",
    "literal_error": "This is not one of the answers.",
    "greater_than": "The number is too small.",
    "greater_than_equal": "The number is too small.",
    "less_than": "The number is too large.",
    "less_than_equal": "The number is too large.",
}
_LIMITS = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most", "expected": "one of"}


def _issue(place: str, fault: Any) -> Issue:
    steps = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in fault["loc"])
    where = f"{place}{steps}" if place else steps.removeprefix(".")
    context = fault.get("ctx", {})
    said = str(context["error"]) if fault["type"] == "value_error" else sentence(fault)
    expected = ", ".join(f"{word} {context[key]}" for key, word in _LIMITS.items() if key in context)
    return Issue("structure", f"{said.rstrip('.')}.", where, _given(fault), fault["type"].replace("_", "-"), expected)


def sentence(fault: Any) -> str:
    """What is wrong, in a sentence; `fault` is one error as pydantic tells it."""
    name = str(fault["loc"][-1]) if fault["loc"] else "The form"
    known = _SAID.get(fault["type"])
    return known.format(name=name) if known else f"{fault['msg']}."


def _given(fault: Any) -> str:
    """What stood there, as JSON writes it; nothing for what is missing, or too long to show."""
    given = fault["input"]
    if fault["type"] == "missing" or isinstance(given, (dict, list)):
        return ""
    if given is None:
        return "null"
    return str(given).lower() if isinstance(given, bool) else str(given)
