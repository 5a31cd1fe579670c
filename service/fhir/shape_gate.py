"""fhir.resources as the arbiter of structure, asked once for every shape of resource.

There is no plain R4 among the models of fhir.resources 8; its R4B models stand for R4 here, because for the types
that are served the two versions have the same elements (a test compares them). This is the only module that
imports fhir.resources, each model when its type is first met: all of them together take seconds and 100 MB.

A verdict of fhir.resources costs a hundred times what its answer is worth when only numbers, times and texts
differ. The walk of our own rules checks all of those by grammars that are stricter than the arbiter's, and leaves a
shape: the keys of every object and how they nest. A shape that the arbiter accepted once is accepted again; where
the shape does not tell all (a leap second, a URL, an extension within a list), the arbiter is asked each time.
A property test holds the gate against the bare arbiter.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Hashable
from functools import cache
from importlib import import_module
from threading import Lock
from typing import Any

from pydantic import ValidationError

from service.errors import Issue
from service.fhir.walk import Found, Json, expression, shown

MAX_SHAPES = 4096
MAX_SHAPE_PARTS = 2000
"""Bounds of what is remembered, so that nobody can fill the memory with shapes."""

_known: OrderedDict[tuple[str, Hashable], None] = OrderedDict()
_lock = Lock()


def arbiter_issues(found: Found) -> list[Issue]:
    """What fhir.resources has against a resource that our own rules let pass."""
    key = (found.type, found.shape)
    if found.certain and _remembered(key):
        return []
    issues = judged(found.type, found.resource, expression(found.place))
    if not issues and found.certain and _parts(found.shape) <= MAX_SHAPE_PARTS:
        _remember(key)
    return issues


def forget_shapes() -> None:
    """Begin anew, as after start."""
    with _lock:
        _known.clear()


def known_shapes() -> int:
    return len(_known)


def _remembered(key: tuple[str, Hashable]) -> bool:
    with _lock:
        if key not in _known:
            return False
        _known.move_to_end(key)
        return True


def _remember(key: tuple[str, Hashable]) -> None:
    with _lock:
        _known[key] = None
        if len(_known) > MAX_SHAPES:
            _known.popitem(last=False)


def _parts(shape: Hashable) -> int:
    return 1 + sum(map(_parts, shape)) if isinstance(shape, tuple) else 1


@cache
def _model(type_name: str) -> Any:
    """The model of a resource type of R4; None where R4B has dropped the type."""
    try:
        module = import_module(f"fhir.resources.R4B.{type_name.lower()}")
    except ModuleNotFoundError:
        return None
    return getattr(module, type_name)


def judged(type_name: str, resource: Json, where: str) -> list[Issue]:
    """The verdict of fhir.resources on a whole resource, as issues with FHIRPath expressions."""
    model = _model(type_name)
    if model is None:
        return [Issue("not-supported", f"Resources of the type {type_name} cannot be checked here.", where)]
    try:
        model.model_validate(resource)
    except ValidationError as refused:
        spared = _spared(resource)
        if spared != resource:
            return judged(type_name, spared, where)
        return [_issue(problem, where) for problem in refused.errors(include_url=False)]
    return []


_MISSING_IN_ARBITER = re.compile("_value[A-Z]|valueMeta$")


def _spared(part: Any, *, of_extension: bool = False) -> Any:
    """A copy without what the arbiter's Extension lacks although R4 has it: `_value…` and `valueMeta`."""
    if isinstance(part, list):
        return [_spared(each, of_extension=of_extension) for each in part]
    if not isinstance(part, dict):
        return part
    return {
        key: _spared(value, of_extension=key in ("extension", "modifierExtension"))
        for key, value in part.items()
        if not (of_extension and _MISSING_IN_ARBITER.match(key))
    }


def _issue(problem: Any, where: str) -> Issue:
    steps = [f"[{step}]" if isinstance(step, int) else f".{step}" for step in problem["loc"] if step != "root"]
    message = str(problem["msg"]).rstrip(".") + "."
    return Issue("structure", message, where + "".join(steps), shown(problem.get("input", "")), "fhir.resources")
