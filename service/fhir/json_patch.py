"""JSON Patch (RFC 6902) on a resource: all operations of a patch, or none."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from service.errors import Conflict, Invalid, Issue
from service.fhir import text
from service.fhir.text import Json
from service.fhir.walk import shown

MEDIA_TYPE = "application/json-patch+json"
_NEEDS = {
    "add": ("path", "value"), "remove": ("path",), "replace": ("path", "value"),
    "move": ("path", "from"), "copy": ("path", "from"), "test": ("path", "value"),
}  # fmt: skip
"""The operations, and the members that each must have."""
_MOST_OPERATIONS, _DEEPEST, _LARGEST_COPY = 500, 50, 2000
"""Bounds that no patch of a resource comes near, so that copies of copies do not grow without end."""
_INDEX = re.compile("0|[1-9][0-9]{0,8}")


def parse(body: bytes) -> list[Json]:
    """The operations of a patch document. Raises `Malformed` for what is no JSON, `Invalid` for what is no patch."""
    wrapped = text.parse(b'{"patch":%b}' % body)
    operations = wrapped["patch"]
    if not isinstance(operations, list) or len(wrapped) > 1:
        expected = 'an array such as [{"op": "replace", "path": "/status", "value": "final"}]'
        raise _wrong("A JSON Patch is an array of operations.", "", shown(operations), expected)
    if len(operations) > _MOST_OPERATIONS:
        raise _wrong("The patch has too many operations.", "", str(len(operations)), f"at most {_MOST_OPERATIONS}")
    for number, operation in enumerate(operations):
        _require_operation(operation, f"[{number}]")
    return operations


def _require_operation(operation: Any, where: str) -> None:
    needs = _NEEDS.get(str(operation.get("op"))) if isinstance(operation, dict) else None
    if needs is None:
        raise _wrong("This is no operation of a JSON Patch.", where, shown(operation), ", ".join(_NEEDS))
    for name in needs:
        if name not in operation:
            raise _wrong(f"The operation lacks its '{name}'.", where, str(operation["op"]))
    for name in ("path", "from"):
        if name in needs:
            _steps(operation[name], f"{where}.{name}")


def apply(resource: Json, operations: list[Json]) -> Json:
    """A patched copy. Raises `Conflict` where a test fails, `Invalid` where a path leads nowhere."""
    whole: Any = copy.deepcopy(resource)
    for number, operation in enumerate(operations):
        whole = _OPERATIONS[operation["op"]](whole, operation, f"[{number}]")
    if not isinstance(whole, dict):
        raise _wrong("What the patch leaves is no resource.", "", shown(whole))
    return whole


def _add(whole: Any, operation: Json, where: str) -> Any:
    return _put(whole, operation["path"], copy.deepcopy(operation["value"]), where)


def _remove(whole: Any, operation: Json, where: str) -> Any:
    holder, step = _holder(whole, operation["path"], where)
    del holder[step]
    return whole


def _replace(whole: Any, operation: Json, where: str) -> Any:
    value = copy.deepcopy(operation["value"])
    if not operation["path"]:
        return value
    holder, step = _holder(whole, operation["path"], where)
    holder[step] = value
    return whole


def _move(whole: Any, operation: Json, where: str) -> Any:
    source, target = operation["from"], operation["path"]
    if target.startswith(f"{source}/"):
        raise _wrong("Nothing can be moved into itself.", where, target)
    value = _at(whole, source, where)
    return _put(_remove(whole, {"path": source}, where), target, value, where)


def _copy(whole: Any, operation: Json, where: str) -> Any:
    value = _at(whole, operation["from"], where)
    if _parts(value, _DEEPEST) > _LARGEST_COPY:
        raise _wrong("So large a part is not copied within a resource.", where, operation["from"])
    return _put(whole, operation["path"], copy.deepcopy(value), where)


def _parts(value: Any, deeper: int) -> int:
    """How many parts a value has; more than can be copied where it is too deep."""
    below = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    if below and not deeper:
        return _LARGEST_COPY + 1
    return 1 + sum(_parts(each, deeper - 1) for each in below)


def _test(whole: Any, operation: Json, where: str) -> Any:
    if not _equal(_at(whole, operation["path"], where), operation["value"]):
        message = "The resource does not hold what the patch tests for."
        raise Conflict(Issue("conflict", message, f"patch{where}", operation["path"], "json-patch-test"))
    return whole


_OPERATIONS: dict[str, Callable[[Any, Json, str], Any]] = {
    "add": _add, "remove": _remove, "replace": _replace, "move": _move, "copy": _copy, "test": _test,
}  # fmt: skip


def _steps(pointer: Any, where: str) -> list[str]:
    """The steps of a JSON Pointer (RFC 6901)."""
    if not isinstance(pointer, str) or (pointer and not pointer.startswith("/")) or re.search("~(?![01])", pointer):
        raise _wrong("This is no JSON Pointer.", where, shown(pointer), "such as /name/0/family")
    if pointer.count("/") > _DEEPEST:
        raise _wrong("The path is deeper than any element.", where, pointer[:100], f"at most {_DEEPEST} steps")
    return [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]


def _at(whole: Any, pointer: str, where: str) -> Any:
    for step in _steps(pointer, where):
        whole = whole[_key(whole, step, pointer, where)]
    return whole


def _holder(whole: Any, pointer: str, where: str) -> tuple[Any, Any]:
    """What holds the element that is there under a pointer, and its key in it."""
    if not pointer:
        raise _wrong("The whole resource cannot be removed by a patch.", where, pointer)
    above, _, step = pointer.rpartition("/")
    holder = _at(whole, above, where)
    return holder, _key(holder, step.replace("~1", "/").replace("~0", "~"), pointer, where)


def _key(holder: Any, step: str, pointer: str, where: str) -> Any:
    if isinstance(holder, dict) and step in holder:
        return step
    if isinstance(holder, list) and _INDEX.fullmatch(step) and int(step) < len(holder):
        return int(step)
    raise _wrong("There is nothing at this path.", where, pointer)


def _put(whole: Any, pointer: str, value: Any, where: str) -> Any:
    if not pointer:
        return value
    above, _, last = pointer.rpartition("/")
    holder, step = _at(whole, above, where), last.replace("~1", "/").replace("~0", "~")
    if isinstance(holder, dict):
        holder[step] = value
    elif isinstance(holder, list) and step == "-":
        holder.append(value)
    elif isinstance(holder, list) and _INDEX.fullmatch(step) and int(step) <= len(holder):
        holder.insert(int(step), value)
    else:
        raise _wrong("Nothing can be put at this path.", where, pointer)
    return whole


def _equal(one: Any, other: Any) -> bool:
    """Equal as RFC 6902 §4.6 has it: numbers by their value, true and false being no numbers."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_equal(value, other[name]) for name, value in one.items())
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_equal, one, other))
    numbers = [isinstance(each, (int, Decimal)) and not isinstance(each, bool) for each in (one, other)]
    return bool(one == other) if all(numbers) else type(one) is type(other) and bool(one == other)


def _wrong(message: str, where: str, value: str, expected: str = "") -> Invalid:
    return Invalid(Issue("invalid", message, f"patch{where}", value, "json-patch", expected))
