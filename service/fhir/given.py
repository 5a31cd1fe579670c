"""What an operation was given: by the query of an address, or by a Parameters resource."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import tzinfo
from decimal import Decimal
from typing import Any

from service.errors import Invalid, Issue, Malformed
from service.fhir.operations import Argument, Operation
from service.fhir.search_dates import interval
from service.fhir.text import Json
from service.fhir.walk import shown

Pairs = Sequence[tuple[str, str]]
_PAGING = "_cursor"
"""Where the next page begins: no input that anybody makes up, but part of the links that are given."""
_MOMENTS = ("date", "dateTime", "instant")
_COMPLEX = ("Coding", "CodeableConcept", "Period", "Resource")
_NUMBERS = {
    "integer": (re.compile("0|[1-9][0-9]{0,8}"), "a whole number, 0 or more"),
    "positiveInt": (re.compile("[1-9][0-9]{0,8}"), "a whole number, 1 or more"),
    "decimal": (re.compile(r"[0-9]{1,9}(\.[0-9]{1,9})?"), "a number, 0 or more"),
}


@dataclass(frozen=True, slots=True)
class Call:
    """An operation asked for, at a type or, with an `id`, at one resource.

    `values` holds what was given, by name, in order; `search` the search parameters beside that; `cursor` where a page
    begins. `zone` reads times without an offset, `base` is this server's own address.
    """

    operation: Operation
    type: str
    id: str = ""
    values: Mapping[str, tuple[Any, ...]] = field(default_factory=dict)
    search: tuple[tuple[str, str], ...] = ()
    cursor: str = ""
    lenient: bool = False
    zone: tzinfo | None = None
    base: str = ""

    def one(self, name: str) -> Any:
        """The value given under a name; None where there is none."""
        return next(iter(self.all(name)), None)

    def all(self, name: str) -> tuple[Any, ...]:
        """Every value given under a name."""
        return self.values.get(name, ())

    def require(self, name: str) -> Any:
        """The value given under a name. Raises `Malformed` where there is none."""
        value = self.one(name)
        if value is None:
            message = f"The operation ${self.operation.name} needs the parameter '{name}'."
            raise Malformed(Issue("required", message, f"http.{name}"))
        return value

    @property
    def path(self) -> str:
        """Where it was asked for, below the base."""
        at = f"{self.type}/{self.id}" if self.id else self.type
        return f"{at}/${self.operation.name}"


def asked(  # noqa: PLR0913 - each is one thing that a request says
    operation: Operation,
    kind: str,
    ident: str,
    pairs: Pairs,
    body: Json | None = None,
    *,
    lenient: bool = False,
    zone: tzinfo | None = None,
    base: str = "",
) -> Call:
    """The call that the query of an address makes, with a Parameters resource where one was sent.

    Raises `Malformed` for an input that is not known (unless `lenient`), is given too often, or cannot be read.
    """
    known = {each.name: each for each in operation.inputs}
    found: dict[str, list[Any]] = {}
    others: list[tuple[str, str]] = []
    for name, text in pairs:
        if name in known:
            found.setdefault(name, []).append(_read(known[name], text, zone))
        elif name != _PAGING:
            others.append((name, text))
    for name, value in _parameters(operation, body, zone) if body is not None else ():
        found.setdefault(name, []).append(value)
    if others and not operation.searches and not lenient:
        raise _unknown(operation, (name for name, _ in others))
    for name, listed in found.items():
        if len(listed) > 1 and known[name].most == "1":
            raise Malformed(Issue("invalid", f"The parameter '{name}' can be given once only.", f"http.{name}"))
    cursor = next((text for name, text in pairs if name == _PAGING), "")
    values = {name: tuple(each) for name, each in found.items()}
    search = tuple(others) if operation.searches else ()
    return Call(operation, kind, ident, values, search, cursor, lenient, zone, base)


def _unknown(operation: Operation, names: Iterable[str]) -> Malformed:
    expected = ", ".join(each.name for each in operation.inputs) or "no parameters"
    message = f"The operation ${operation.name} has no parameter '%s' here."
    return Malformed(*(Issue("not-supported", message % name, f"http.{name}", expected=expected) for name in names))


def _parameters(operation: Operation, body: Json, zone: tzinfo | None) -> Iterable[tuple[str, Any]]:
    if body.get("resourceType") != "Parameters":
        found, message = shown(body.get("resourceType")), "An operation takes its inputs as a Parameters resource."
        raise Malformed(Issue("invalid", message, "resourceType", found, expected="Parameters"))
    listed = body.get("parameter", [])
    if not isinstance(listed, list) or not all(isinstance(part, dict) for part in listed):
        message = "The parameters stand in a list, each an object with a name and a value."
        raise Malformed(Issue("structure", message, "Parameters.parameter", shown(listed)))
    known = {each.name: each for each in operation.inputs}
    for place, part in enumerate(listed):
        argument = known.get(str(part.get("name")))
        if argument is None:
            raise _unknown(operation, [shown(part.get("name"))])
        yield argument.name, _value(argument, part, f"Parameters.parameter[{place}]", zone)


def _value(argument: Argument, part: Json, where: str, zone: tzinfo | None) -> Any:
    """What one parameter holds. Clients differ in how exact they are about kinds of text, so any will do for text."""
    if argument.type == "Resource":
        values = [part["resource"]] if "resource" in part else []
    else:
        values = [value for key, value in part.items() if key.startswith("value")]
    if len(values) != 1:
        message = f"The parameter '{argument.name}' holds just one value."
        raise Malformed(Issue("structure", message, where, expected=argument.type))
    (value,) = values
    if argument.type in _COMPLEX:
        if not isinstance(value, dict) or not _is_plain(argument.type, value):
            raise _bad(argument.name, shown(value), argument.type)
        return value
    if argument.type == "boolean":
        if not isinstance(value, bool):
            raise _bad(argument.name, shown(value), "true or false")
        return value
    return _read(argument, str(value) if isinstance(value, (int, Decimal)) else value, zone)


_TEXTS = {
    "Coding": ("system", "version", "code", "display"),
    "CodeableConcept": ("text",),
    "Period": ("start", "end"),
    "Resource": (),
}


def _is_plain(kind: str, value: Json) -> bool:
    """Whether what is read of a Coding, CodeableConcept or Period has the right form."""
    if any(not isinstance(value.get(name, ""), str) for name in _TEXTS[kind]):
        return False
    codings = value.get("coding", []) if kind == "CodeableConcept" else []
    return isinstance(codings, list) and all(isinstance(c, dict) and _is_plain("Coding", c) for c in codings)


def _read(argument: Argument, text: Any, zone: tzinfo | None) -> Any:
    """A value from its text."""
    name, kind = argument.name, argument.type
    if kind in _COMPLEX:
        message = f"The parameter '{name}' does not fit into an address."
        raise Malformed(Issue("not-supported", message, f"http.{name}", expected="a Parameters resource, by POST"))
    if not isinstance(text, str) or not text:
        raise _bad(name, shown(text), f"a value of the type {kind}")
    if kind == "boolean":
        if text not in ("true", "false"):
            raise _bad(name, text, "true or false")
        return text == "true"
    if kind in _NUMBERS:
        form, expected = _NUMBERS[kind]
        if not form.fullmatch(text):
            raise _bad(name, text, expected)
        return Decimal(text) if kind == "decimal" else int(text)
    return moment_text(name, text, zone) if kind in _MOMENTS else text


def moment_text(name: str, text: str, zone: tzinfo | None) -> str:
    """A date or moment as it was meant. Raises `Malformed` for what is none."""
    # A plus sign that nobody escaped arrives as a space.
    meant = re.sub(r" (?=[0-9]{2}:[0-9]{2}$)", "+", text)
    try:
        interval(meant, zone)
    except ValueError as problem:
        message = f"The parameter '{name}' needs a day or a moment; this one {problem}."
        expected = "2026-03-01 or 2026-03-01T10:00:00+01:00"
        raise Malformed(Issue("invalid", message, f"http.{name}", text, expected=expected)) from None
    return meant


def _bad(name: str, value: str, expected: str) -> Malformed:
    return Malformed(
        Issue("invalid", f"The parameter '{name}' cannot be read.", f"http.{name}", value, expected=expected)
    )


@contextmanager
def as_malformed() -> Iterator[None]:
    """What is wrong with a search is the request's form, not a resource's content: `Invalid` leaves as `Malformed`."""
    try:
        yield
    except Invalid as error:
        raise Malformed(*error.issues) from error


def parameters(*parts: tuple[str, str, Any]) -> Json:
    """A Parameters resource of (name, key of the value, value); those without a value are left out."""
    listed = [{"name": name, key: value} for name, key, value in parts if value not in (None, "", [])]
    return {"resourceType": "Parameters", "parameter": listed}
