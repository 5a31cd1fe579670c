"""FHIR JSON text to a dict and back, every decimal exactly as written.

`parse` keeps the significant zeros and all digits of a decimal (`1.50` stays `Decimal("1.50")`), which
FHIR requires (https://hl7.org/fhir/R4/datatypes.html#decimal) and JSON readers commonly lose. Whatever cannot
be kept safely is refused, with what it is and where: duplicate keys, control characters, numbers and nesting
beyond the limits, lone surrogates, anything that is not one UTF-8 JSON object.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import msgspec

from service.errors import Issue, Malformed
from service.fhir.text_faults import (
    MAX_DEPTH,
    MAX_DIGITS,
    Fault,
    first_fault,
    number_fault,
    place_of_byte,
    syntax_fault,
)

Json = dict[str, Any]


def _decimal(token: str) -> Decimal:
    if len(token) <= MAX_DIGITS and "e" not in token and "E" not in token:
        return Decimal(token)
    fault = number_fault(token)
    if fault:
        raise Malformed(fault.issue())
    return Decimal(token)


_decoder = msgspec.json.Decoder(float_hook=_decimal)
_encoder = msgspec.json.Encoder(decimal_format="number")

_ALL_DIGITS_NINE = bytes.maketrans(b"012345678", b"999999999")
_TOO_MANY_DIGITS = b"9" * (MAX_DIGITS + 1)
_ALL_BUT_BRACKETS = bytes(byte for byte in range(256) if byte not in b"{}[]")
_CONTROL_ESCAPES = (b"\\u00", b"\\b", b"\\f")


def parse(body: bytes | str) -> Json:
    """The JSON object in `body`: decimals as `Decimal`, integers as `int`, keys in the order written.

    Raises `Malformed`, saying what is wrong and where, for anything else.
    """
    raw = _utf8(body)
    try:
        value = _decoder.decode(raw)
        compact = msgspec.json.format(raw, indent=-1)
    except Malformed as refused:
        raise _sited(refused, raw) from None
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as problem:
        raise Malformed(syntax_fault(raw, str(problem)).issue()) from None
    if not isinstance(value, dict):
        found = compact[:40].decode(errors="replace")
        raise Malformed(Issue("structure", "The text must be one JSON object.", value=found))
    if _needs_a_closer_look(compact, value):
        fault = first_fault(raw)
        if fault:
            raise Malformed(fault.issue())
    return value


def dump(resource: Json) -> bytes:
    """Compact UTF-8 JSON of `resource`, keys in their order, every `Decimal` written exactly.

    Raises `Malformed` for text that UTF-8 cannot carry and for a number that is none (NaN, infinity).
    """
    try:
        text = _encoder.encode(resource)
    except UnicodeEncodeError as problem:
        message = f"A text holds a lone surrogate, which UTF-8 cannot carry: {problem.reason}."
        raise Malformed(message) from None
    if (b"NaN" in text or b"Infinity" in text) and _NOT_A_NUMBER.search(_STRINGS.sub(b"", text)):
        raise Malformed("A decimal is not a number (NaN or infinity), which JSON cannot carry.")
    return text


_STRINGS = re.compile(rb'"(?:[^"\\]|\\.)*"')
_NOT_A_NUMBER = re.compile(rb"NaN|Infinity")


def _utf8(body: bytes | str) -> bytes:
    if isinstance(body, bytes):
        return body
    try:
        return body.encode()
    except UnicodeEncodeError as problem:
        place = f"character {problem.start}"
        message = "The text holds a lone surrogate, which is no character."
        raise Malformed(Issue("structure", message, place)) from None


def _needs_a_closer_look(compact: bytes, value: Json) -> bool:
    """Whether the cheap proofs fail that nothing is duplicated, hidden, too long or too deep.

    Writing the value again gives the very text that was read only if no key was lost on the way.
    """
    return (
        _encoder.encode(value) != compact
        or (b"\\" in compact and any(escape in compact for escape in _CONTROL_ESCAPES))
        or _TOO_MANY_DIGITS in compact.translate(_ALL_DIGITS_NINE)
        or not _surely_shallow(compact)
    )


def _surely_shallow(compact: bytes) -> bool:
    """True only if nesting stays within `MAX_DEPTH`: strips innermost pairs, at most two levels a round."""
    brackets = compact.translate(None, _ALL_BUT_BRACKETS)
    for _ in range(MAX_DEPTH // 2):
        if not brackets:
            return True
        brackets = brackets.replace(b"{}", b"").replace(b"[]", b"")
    return not brackets


def _sited(refused: Malformed, raw: bytes) -> Malformed:
    """The refusal of a number, with the place where that number stands, if it can be told."""
    issue = refused.issues[0]
    fault = first_fault(raw)
    if fault is None or fault.value != issue.value:
        at = raw.find(issue.value.rstrip("…").encode())
        fault = Fault(issue.message, place_of_byte(raw, at), issue.value, issue.expected, issue.rule)
    return Malformed(fault.issue())
