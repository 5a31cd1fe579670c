"""Which entries still need another person's signature."""

from __future__ import annotations

from service.domain.actor import Actor
from service.fhir.canonical import code_system
from service.fhir.text import Json

_TAG = {"system": code_system("signature"), "code": "co-signature-needed", "display": "co-signature needed"}


def marked(resource: Json, actor: Actor) -> Json:
    """The resource, marked where this person's entries need another's signature.

    The mark goes when somebody whose entries need none writes the resource without it.
    """
    if not actor.cosigned or needs_signature(resource):
        return resource
    meta = resource.get("meta") or {}
    return {**resource, "meta": {**meta, "tag": [*(meta.get("tag") or []), dict(_TAG)]}}


def needs_signature(resource: Json) -> bool:
    """Whether the entry was made by somebody whose entries need another's signature, and has none yet."""
    tags = (resource.get("meta") or {}).get("tag") or []
    return any(tag.get("system") == _TAG["system"] and tag.get("code") == _TAG["code"] for tag in tags)
