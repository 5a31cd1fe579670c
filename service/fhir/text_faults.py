"""Why a JSON text was refused, and where: the slow, exact second look behind `service.fhir.text`."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.errors import Issue

MAX_DEPTH = 64
"""Deepest nesting of objects and lists. FHIR resources seldom reach 15."""
MAX_DIGITS = 40
"""Most digits of a number; FHIR asks for 18 at least (https://hl7.org/fhir/R4/datatypes.html#decimal)."""
MAX_MAGNITUDE = 300
"""Numbers are 0 or lie between 1e-300 and 1e300 in size: HL7's own decimal example goes down to 1E-245."""

_NUMBER_RANGE = f"at most {MAX_DIGITS} digits, size between 1e-{MAX_MAGNITUDE} and 1e{MAX_MAGNITUDE}"
_NOT_JSON = re.compile(rb"-?(NaN|Infinity|nan|inf)")
_BYTE = re.compile(r"\(byte (\d+)\)")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")
_SURROGATE = re.compile("[\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Fault:
    """One reason to refuse a text: a sentence, a place (FHIRPath, or line and column), what stood there."""

    message: str
    where: str = ""
    value: str = ""
    expected: str = ""
    rule: str = "json"

    def issue(self) -> Issue:
        return Issue("structure", self.message, self.where, self.value, self.rule, self.expected)


def number_fault(token: str, where: str = "") -> Fault | None:
    """The fault of a number as written, or None."""
    digits = sum(character.isdigit() for character in re.split("[eE]", token)[0])
    exponent = re.split("[eE]", token)[1:] or ["0"]
    beyond = digits > MAX_DIGITS or len(exponent[0].lstrip("+-0")) > 4
    if not beyond and abs(Decimal(token).adjusted()) <= MAX_MAGNITUDE:
        return None
    message = "The number is beyond what this record keeps."
    return Fault(message, where, _short(token), _NUMBER_RANGE, "number-range")


def syntax_fault(raw: bytes, problem: str) -> Fault:
    """Why `raw` is no JSON text at all; `problem` is what the reader said, and names the byte if it could."""
    fault = _encoding_fault(raw)
    if fault is None and ("recursion" in problem or "out of range" in problem):
        fault = first_fault(raw)
    return fault or _grammar_fault(raw, problem)


def _encoding_fault(raw: bytes) -> Fault | None:
    if not raw.strip():
        return Fault("There is nothing in it.", expected="one JSON object")
    if raw.startswith(b"\xef\xbb\xbf"):
        return Fault("The text begins with a byte order mark, which JSON does not allow.", "line 1, column 1")
    try:
        raw.decode()
    except UnicodeDecodeError as wrong:
        found = "bytes " + raw[wrong.start : wrong.start + 4].hex(" ")
        return Fault("The text is not valid UTF-8.", place_of_byte(raw, wrong.start), found, rule="utf-8")
    return None


def _grammar_fault(raw: bytes, problem: str) -> Fault:
    named = _BYTE.search(problem)
    at = int(named[1]) if named else len(raw)
    at -= "trailing characters" in problem  # there the reader names the byte after the first one too many
    where = place_of_byte(raw, at)
    if "surrogate" in problem or _holds_surrogate(raw):
        return Fault("A text holds a lone surrogate, which is no character.", where, rule="utf-8")
    number = _NOT_JSON.match(raw, at) or _NOT_JSON.match(raw, max(at - 1, 0))
    if number:
        return Fault("NaN and Infinity are no JSON numbers.", where, number[0].decode())
    if problem.startswith("Input data was truncated"):
        return Fault("The text ends too early: it is not complete JSON.", where)
    said = _BYTE.sub("", problem).strip().rstrip(".").removeprefix("JSON is malformed: ")
    return Fault(f"The text is not well-formed JSON: {said}.", where, raw[at : at + 20].decode(errors="replace"))


def _holds_surrogate(raw: bytes) -> bool:
    try:
        return bool(_SURROGATE.search(json.dumps(json.loads(raw), ensure_ascii=False)))
    except (ValueError, RecursionError):
        return False


def place_of_byte(raw: bytes, at: int) -> str:
    """Line and column, both from 1, of a byte."""
    before = raw[: max(at, 0)]
    lines = before.split(b"\n")
    return f"line {len(lines)}, column {len(lines[-1]) + 1}"


class _Pairs(list[tuple[str, Any]]):
    """An object whose duplicate keys are still there."""


class _Number(str):
    """A number as written."""


def first_fault(raw: bytes) -> Fault | None:
    """The first thing in well-formed JSON that this record refuses, found by reading all of it exactly."""
    try:
        tree = json.loads(raw, object_pairs_hook=_Pairs, parse_float=_Number, parse_int=_Number, parse_constant=_Number)
    except RecursionError:
        return _too_deep("")
    root = dict(tree).get("resourceType", "") if isinstance(tree, _Pairs) else ""
    return next(_faults(tree, root if isinstance(root, str) else "", 1), None)


def _faults(node: Any, where: str, depth: int) -> Iterator[Fault]:
    if isinstance(node, _Number):
        fault = number_fault(node, where)
        if fault:
            yield fault
    elif isinstance(node, str):
        yield from _text_faults(node, where, "text")
    elif isinstance(node, list):
        if depth > MAX_DEPTH:
            yield _too_deep(where)
        elif isinstance(node, _Pairs):
            yield from _object_faults(node, where, depth)
        else:
            for index, child in enumerate(node):
                yield from _faults(child, f"{where}[{index}]", depth + 1)


def _object_faults(node: _Pairs, where: str, depth: int) -> Iterator[Fault]:
    seen: set[str] = set()
    for key, child in node:
        place = f"{where}.{key}" if where else key
        if key in seen:
            message = f"The key '{_short(key)}' stands twice in one object."
            yield Fault(message, _short(place), rule="duplicate-key")
        seen.add(key)
        yield from _text_faults(key, where, "key")
        yield from _faults(child, place, depth + 1)


def _text_faults(text: str, where: str, what: str) -> Iterator[Fault]:
    control = _CONTROL.search(text)
    if control:
        yield Fault(
            f"A {what} holds the control character U+{ord(control[0]):04X}.",
            where,
            _short(repr(text)),
            "characters from U+0020 on, tab, line feed and carriage return",
            "string-characters",
        )


def _too_deep(where: str) -> Fault:
    return Fault(f"The text is nested deeper than {MAX_DEPTH} levels.", _short(where), rule="nesting")


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:59] + "…"
