"""Whole resources on the walk: the one asked about, those it contains, and those in a Bundle's entries."""

from __future__ import annotations

from collections.abc import Hashable
from functools import cache
from typing import Any

from service.fhir import leaves
from service.fhir.definitions import elements, invariants, resource_types
from service.fhir.primitives import json_type
from service.fhir.structure import ObjectReader, object_reader
from service.fhir.walk import Found, Json, Place, Walk, contained_types

_SHAPE = "resource"
"""Stands for a nested resource in the shape of the resource around it: each is judged on its own."""


def walked(resource: Json, type_name: str) -> Walk:
    """Walk through a resource of a type of R4."""
    walk = Walk(resource, contained_types(resource))
    _read_known(resource, type_name, (type_name,), walk)
    return walk


def resource_reader(*, own_container: bool) -> leaves.ItemReader:
    """Reader of a resource inside another. `own_container`: `#id` in it means its own contained resources."""

    def read(value: Any, place: Place, walk: Walk) -> Hashable:
        name = value.get("resourceType") if type(value) is dict else None
        if type(value) is not dict:
            walk.report(place, "structure", f"This must be a resource, and is {json_type(value)}.", rule="object")
        elif not isinstance(name, str) or name not in resource_types():
            message = "A resource must say its resourceType, one of R4's."
            walk.report((place, "resourceType"), "structure", message, value=name, rule="resource-type")
        else:
            around = walk.resource, walk.contained, walk.certain, walk.conditional
            walk.resource, walk.certain = value, True
            if own_container:
                walk.contained = contained_types(value)
            _read_known(value, name, place, walk)
            walk.resource, walk.contained, walk.certain, walk.conditional = around
        return _SHAPE

    return read


def _read_known(value: Json, name: str, place: Place, walk: Walk) -> None:
    if name == "Bundle":
        walk.conditional = value.get("type") == "transaction"
    shape = _reader(name).read(value, place, walk)
    walk.found.append(Found(name, value, place, shape, walk.certain))


@cache
def _reader(name: str) -> ObjectReader:
    domain = f"{name}.contained" in elements(name)
    return object_reader(name, name, invariants("DomainResource") if domain else ())
