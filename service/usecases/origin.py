"""Whether a resource still is as an import wrote it, or was changed by hand since."""

from __future__ import annotations

from service.fhir.canonical import code_system
from service.fhir.text import Json

_TAG = {"system": code_system("origin"), "code": "imported", "display": "as imported"}


def mark_imported(resource: Json) -> Json:
    """The resource, marked as an import wrote it. Every other way of writing takes the mark off."""
    meta = resource.get("meta") or {}
    return {**resource, "meta": {**meta, "tag": [*_others(resource), dict(_TAG)]}}


def is_as_imported(resource: Json) -> bool:
    """Whether nobody changed the resource since an import wrote it."""
    return any(_is_mark(tag) for tag in (resource.get("meta") or {}).get("tag") or [])


def without_mark(resource: Json) -> Json:
    """The resource without the mark, for a change made by hand."""
    if not is_as_imported(resource):
        return resource
    meta = {name: value for name, value in resource["meta"].items() if name != "tag"}
    others = _others(resource)
    return {**resource, "meta": {**meta, "tag": others} if others else meta}


def _others(resource: Json) -> list[Json]:
    return [tag for tag in (resource.get("meta") or {}).get("tag") or [] if not _is_mark(tag)]


def _is_mark(tag: Json) -> bool:
    return tag.get("system") == _TAG["system"] and tag.get("code") == _TAG["code"]
