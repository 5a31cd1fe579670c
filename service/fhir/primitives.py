"""The grammar of FHIR's primitive types (https://hl7.org/fhir/R4/datatypes.html#primitive), strict on JSON types."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, Literal

from service.fhir.narrative import narrative_problem

MAX_TEXT = 1024 * 1024
"""Most characters of a string, as the standard has it."""

Verdict = Literal["sure", "plausible", "wrong"]
"""sure: right, and every validator says so. plausible: right here, but worth the second opinion. wrong."""

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")
_GRAPHIC = "[^\\s\x00-\x1f\ud800-\udfff]"
_CODE = re.compile(f"{_GRAPHIC}+(?: {_GRAPHIC}+)*")
_URI = re.compile(f"{_GRAPHIC}+")
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_OID = re.compile(r"urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+")
_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_BASE64 = re.compile(r"(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?")
_CLOCK = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|(?P<leap>60))(?:\.(?P<fraction>[0-9]{1,9}))?"
_ZONE = r"(?:Z|[+-](?:(?:0[0-9]|1[0-3]):[0-5][0-9]|14:00))"
_DAY = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_INSTANT = re.compile(f"{_DAY}T{_CLOCK}{_ZONE}")
_DATE_TIME = re.compile(f"{_DAY}(?:T{_CLOCK}{_ZONE})?")
_DATE = re.compile(_DAY)
_TIME = re.compile(_CLOCK)
_MONTH_OR_YEAR = re.compile(r"(?!0000)[0-9]{4}(?:-(?:0[1-9]|1[0-2]))?")


@dataclass(frozen=True, slots=True)
class Primitive:
    """A primitive type: its test, the JSON type it is written as, and what would be right, in words.

    `by_value`: other validators judge these by rules of their own, so their verdict holds for this value only.
    """

    check: Callable[[Any], Verdict]
    json_type: Literal["string", "number", "integer", "boolean"]
    expected: str
    by_value: bool = False


def _text(value: Any) -> Verdict:
    if type(value) is not str or not value or value.isspace() or len(value) > MAX_TEXT:
        return "wrong"
    return "sure" if value.isprintable() or not _CONTROL.search(value) else "wrong"


def _matching(pattern: re.Pattern[str]) -> Callable[[Any], Verdict]:
    def check(value: Any) -> Verdict:
        fits = type(value) is str and pattern.fullmatch(value) and len(value) <= MAX_TEXT
        return "sure" if fits else "wrong"

    return check


def _moment(pattern: re.Pattern[str], *, partial: bool) -> Callable[[Any], Verdict]:
    def check(value: Any) -> Verdict:
        if type(value) is not str:
            return "wrong"
        found = pattern.fullmatch(value)
        if not found:
            return "sure" if partial and _MONTH_OR_YEAR.fullmatch(value) else "wrong"
        if not day_exists(value[:10]):
            return "wrong"
        return _sure_unless_fine(found)

    return check


def _sure_unless_fine(found: re.Match[str]) -> Verdict:
    """Leap seconds and nanoseconds are right, but readers differ about them."""
    parts = found.groupdict()
    return "plausible" if parts.get("leap") or len(parts.get("fraction") or "") > 6 else "sure"


def day_exists(text: str) -> bool:
    """Whether `YYYY-MM-DD` is in the calendar."""
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _time(value: Any) -> Verdict:
    found = _TIME.fullmatch(value) if type(value) is str else None
    return _sure_unless_fine(found) if found else "wrong"


def _integer(least: int) -> Callable[[Any], Verdict]:
    def check(value: Any) -> Verdict:
        return "sure" if type(value) is int and least <= value <= 2147483647 else "wrong"

    return check


def _decimal(value: Any) -> Verdict:
    return "sure" if type(value) is int or (type(value) is Decimal and value.is_finite()) else "wrong"


def _boolean(value: Any) -> Verdict:
    return "sure" if value is True or value is False else "wrong"


def _base64(value: Any) -> Verdict:
    if type(value) is not str or not value.strip():
        return "wrong"
    if _BASE64.fullmatch(value):
        return "sure"
    return "plausible" if _BASE64.fullmatch("".join(value.split())) else "wrong"


def _xhtml(value: Any) -> Verdict:
    return "sure" if type(value) is str and not narrative_problem(value) else "wrong"


_TEXT = Primitive(_text, "string", "text that is not blank, without control characters, at most 1,048,576 characters")
_DATE_WORDS = "a day that exists, as YYYY, YYYY-MM or YYYY-MM-DD"

PRIMITIVES: dict[str, Primitive] = {
    "string": _TEXT,
    "markdown": _TEXT,
    "code": Primitive(_matching(_CODE), "string", "a code without spaces at its ends, and single spaces within"),
    "id": Primitive(_matching(_ID), "string", "1 to 64 characters out of A-Z, a-z, 0-9, '-' and '.'"),
    "uri": Primitive(_matching(_URI), "string", "a URI without spaces"),
    "canonical": Primitive(_matching(_URI), "string", "a canonical URL without spaces"),
    "url": Primitive(_matching(_URI), "string", "a URL without spaces", by_value=True),
    "oid": Primitive(_matching(_OID), "string", "an OID such as urn:oid:1.2.3"),
    "uuid": Primitive(_matching(_UUID), "string", "a lower-case UUID such as urn:uuid:c757873d-…", by_value=True),
    "date": Primitive(_moment(_DATE, partial=True), "string", _DATE_WORDS),
    "dateTime": Primitive(
        _moment(_DATE_TIME, partial=True),
        "string",
        f"{_DATE_WORDS}, or with seconds and offset as YYYY-MM-DDThh:mm:ss+zz:zz",
    ),
    "instant": Primitive(
        _moment(_INSTANT, partial=False), "string", "a moment with offset, as YYYY-MM-DDThh:mm:ss.sss+zz:zz"
    ),
    "time": Primitive(_time, "string", "a time of day as hh:mm:ss, without offset"),
    "integer": Primitive(
        _integer(-2147483648), "integer", "a whole number of 32 bits, without quotes or decimal point"
    ),
    "unsignedInt": Primitive(_integer(0), "integer", "a whole number from 0 to 2147483647"),
    "positiveInt": Primitive(_integer(1), "integer", "a whole number from 1 to 2147483647"),
    "decimal": Primitive(_decimal, "number", "a number, without quotes"),
    "boolean": Primitive(_boolean, "boolean", "true or false, without quotes"),
    "base64Binary": Primitive(_base64, "string", "base64 text"),
    "xhtml": Primitive(_xhtml, "string", "one <div> of plain XHTML with some content"),
}

_JSON_TYPES: dict[type, str] = {
    str: "a string",
    bool: "a boolean",
    int: "a whole number",
    Decimal: "a number with a decimal point or exponent",
    float: "a binary floating-point number",
    dict: "an object",
    list: "a list",
    type(None): "null",
}
_PYTHON_TYPES: dict[str, tuple[type, ...]] = {
    "string": (str,),
    "boolean": (bool,),
    "integer": (int,),
    "number": (int, Decimal),
}


def json_type(value: Any) -> str:
    """What a value is in JSON, in words."""
    return _JSON_TYPES.get(type(value), type(value).__name__)


def has_json_type(type_name: str, value: Any) -> bool:
    """Whether a value is at least written as the JSON type of `type_name`."""
    return type(value) in _PYTHON_TYPES[PRIMITIVES[type_name].json_type]


def problem_with(type_name: str, value: Any) -> str:
    """A sentence about why `value`, found wrong, is no `type_name`."""
    primitive = PRIMITIVES[type_name]
    if not has_json_type(type_name, value):
        article = "an" if primitive.json_type == "integer" else "a"
        return f"This must be {article} {primitive.json_type}, and is {json_type(value)}."
    if primitive.json_type != "string":
        return f"This number is not allowed for the type {type_name}."
    if type_name == "xhtml":
        return f"The narrative is not allowed: {narrative_problem(value)}."
    return _problem_with_text(type_name, value)


def _problem_with_text(type_name: str, value: str) -> str:
    control = _CONTROL.search(value)
    if control:
        return f"The text holds the character U+{ord(control[0]):04X}, which is not allowed."
    if not value or value.isspace():
        return "The text is empty: leave the element out instead."
    if len(value) > MAX_TEXT:
        return f"The text has {len(value)} characters, and may have {MAX_TEXT}."
    if type_name in ("date", "dateTime", "instant") and _DATE.match(value) and not day_exists(value[:10]):
        return f"There is no day {value[:10]}."
    return f"This is not written as the type {type_name} demands."
