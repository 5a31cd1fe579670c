"""How the value of one property is checked: primitives, lists, and the `_name` siblings of primitives.

A reader takes (value, the object it stands in, that object's place, the walk), reports what is wrong, and answers
with the part of the shape that matters: nothing for a leaf, since every leaf is checked here.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from difflib import get_close_matches
from functools import lru_cache
from typing import Any

from service.fhir.parts import bytes_of, part_of
from service.fhir.primitives import PRIMITIVES, has_json_type, json_type, problem_with
from service.fhir.walk import Place, Walk

Json = dict[str, Any]
Reader = Callable[[Any, Json, Place, Walk], Hashable]
ItemReader = Callable[[Any, Place, Walk], Hashable]
"""Reads one value at its own place."""


def primitive(name: str, type_name: str, codes: frozenset[str] | None = None) -> Reader:
    """Reader of a property that holds one primitive; `codes`: the only ones allowed."""
    check = PRIMITIVES[type_name].check
    by_value = PRIMITIVES[type_name].by_value
    item = primitive_item(type_name, codes)

    if codes is not None:

        def read_code(value: Any, owner: Json, at: Place, walk: Walk) -> Hashable:
            return None if type(value) is str and value in codes else item(value, (at, name), walk)

        return read_code

    def read(value: Any, owner: Json, at: Place, walk: Walk) -> Hashable:
        if check(value) == "sure" and not by_value:
            return None
        return item(value, (at, name), walk)

    return read


def primitive_item(type_name: str, codes: frozenset[str] | None = None) -> ItemReader:
    """Reader of one primitive at its own place."""
    kind = PRIMITIVES[type_name]

    def read(value: Any, place: Place, walk: Walk) -> Hashable:
        verdict = kind.check(value)
        if verdict == "wrong":
            code = "value" if has_json_type(type_name, value) else "structure"
            message = problem_with(type_name, value)
            walk.report(place, code, message, value=value, rule=type_name, expected=kind.expected)
        elif codes is not None and value not in codes:
            _report_code(value, codes, place, walk)
        elif kind.by_value and len(value) < 200:
            return str(value)
        elif kind.by_value or verdict == "plausible":
            walk.certain = False
        return None

    return read


def _report_code(value: str, codes: frozenset[str], place: Place, walk: Walk) -> None:
    near = get_close_matches(value, codes, 3) if len(value) < 100 else []
    some = near or sorted(codes)[:12]
    expected = ", ".join(some) + ("" if len(some) == len(codes) or near else " …")
    message = f"'{value[:80]}' is none of the codes that FHIR allows here."
    walk.report(place, "code-invalid", message, value=value, rule="required-binding", expected=expected)


def many(name: str, item: ItemReader, *, holes: bool) -> Reader:
    """Reader of a property that repeats. `holes`: null may stand where the `_name` sibling says more."""

    def read(value: Any, owner: Json, at: Place, walk: Walk) -> Hashable:
        if type(value) is not list:
            message = f"This repeats, so it must be a list, and is {json_type(value)}."
            walk.report((at, name), "structure", message, value=value, rule="list", expected="a list")
            return None
        if len(value) == 1 and value[0] is not None:
            return (item(value[0], (at, name, 0), walk),)
        if not value:
            message = "The list is empty: leave the element out instead."
            walk.report((at, name), "structure", message, rule="empty")
        shapes: dict[Hashable, None] = {}
        for index, each in enumerate(value):
            if each is None and holes:
                _check_hole(owner.get(f"_{name}"), index, (at, name, index), walk)
            else:
                shapes[item(each, (at, name, index), walk)] = None
        return tuple(shapes)

    return read


def _check_hole(siblings: Any, index: int, place: Place, walk: Walk) -> None:
    walk.certain = False
    if not (isinstance(siblings, list) and index < len(siblings) and isinstance(siblings[index], dict)):
        message = "null may stand in a list only where the same place beside it has an extension."
        walk.report(place, "structure", message, rule="null", expected="a value, or the entry left out")


def once(item: ItemReader) -> ItemReader:
    """Reader of a value that is judged once, however often it comes."""

    def read(value: Any, place: Place, walk: Walk) -> Hashable:
        written = bytes_of(value)
        sound = _sound(item, written) if written else None
        return sound[0] if sound else item(value, place, walk)

    return read


@lru_cache(maxsize=4096)
def _sound(item: ItemReader, written: bytes) -> tuple[Hashable] | None:
    """The shape of a value that is right wherever it stands; None where it is wrong, or what is around it decides."""
    walk = Walk({})
    shape = item(part_of(written), ("",), walk)
    return None if walk.issues or walk.found or not walk.certain else (shape,)


def one(name: str, item: ItemReader) -> Reader:
    """Reader of a property that holds one object."""

    def read(value: Any, owner: Json, at: Place, walk: Walk) -> Hashable:
        return item(value, (at, name), walk)

    return read


def sibling(name: str, element: ItemReader) -> Reader:
    """Reader of `_name`: the id and extensions of a primitive."""

    def read(value: Any, owner: Json, at: Place, walk: Walk) -> Hashable:
        if name not in owner and type(value) is dict and "extension" not in value:
            message = f"Without a value, '_{name}' needs an extension that says why."
            walk.report((at, f"_{name}"), "structure", message, value=value, rule="ele-1")
        return element(value, (at, f"_{name}"), walk)

    return read


def siblings(name: str, element: ItemReader) -> Reader:
    """Reader of `_name` beside a list of primitives: as many entries as the list, null where there is nothing."""

    def read(value: Any, owner: Json, at: Place, walk: Walk) -> Hashable:
        place = (at, f"_{name}")
        walk.certain = False
        if type(value) is not list or all(each is None for each in value):
            message = "Extensions of a list stand in a list with at least one entry that is not null."
            walk.report(place, "structure", message, value=value, rule="list", expected="a list")
            return None
        beside = owner.get(name)
        if isinstance(beside, list) and len(beside) != len(value):
            message = f"This list has {len(value)} entries and the list '{name}' beside it {len(beside)}."
            walk.report(place, "structure", message, rule="list", expected="lists of the same length")
        for index, each in enumerate(value):
            if each is not None:
                element(each, (at, f"_{name}", index), walk)
        return None

    return read
