"""From the claims of a token to the acting person."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from typing import Any

from service.domain.actor import Actor, Grant
from service.settings import Settings
from service.usecases.permissions import ROLES
from service.web.identity.scopes import grants_of

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_PERSON = re.compile(r"(?:https?://\S+/)?(?:Practitioner|PractitionerRole|RelatedPerson|Person)/([A-Za-z0-9\-.]{1,64})")


def person_of(claims: Mapping[str, Any], settings: Settings) -> Actor:
    """Who a token of the clinic's provider speaks for. Without a role that is known here they may do nothing."""
    role = role_of(claims, settings)
    patient = claims.get("patient")
    return Actor(
        _id(claims),
        plain(claims.get("name") or claims.get("preferred_username") or claims["sub"]),
        role,
        grants=granted(claims),
        patient=patient if isinstance(patient, str) and _ID.fullmatch(patient) else "",
        client=plain(claims.get("client_id") or claims.get("azp") or ""),
        cosigned=role in settings.cosign_roles,
    )


def system_of(claims: Mapping[str, Any], name: str) -> Actor:
    """The program that a token of our own token endpoint speaks for."""
    client = str(claims["sub"])
    return Actor(_safe(client), plain(name), "system", grants=granted(claims), client=plain(client))


def granted(claims: Mapping[str, Any]) -> tuple[Grant, ...]:
    """What the scopes of a token grant. No scope on resources grants nothing, whatever the role."""
    scopes = claims.get("scope", claims.get("scp", ""))
    if isinstance(scopes, list):
        scopes = " ".join(one for one in scopes if isinstance(one, str))
    return grants_of(scopes) if isinstance(scopes, str) else ()


def role_of(claims: Mapping[str, Any], settings: Settings) -> str:
    """The role the claims name; of several, the first in the order of `ROLES`; empty if none is known."""
    found: Any = claims
    for step in settings.role_claim.split("."):
        found = found.get(step) if isinstance(found, Mapping) else None
    named = [found] if isinstance(found, str) else found if isinstance(found, list) else []
    values = [value for value in named if isinstance(value, str)]
    roles = {settings.role_map.get(value, "") for value in values} if settings.role_map else set(values)
    return next((role for role in ROLES if role in roles and role != "local"), "")


def _id(claims: Mapping[str, Any]) -> str:
    stated = claims.get("fhirUser")
    person = _PERSON.fullmatch(stated) if isinstance(stated, str) else None
    return person[1] if person else _safe(str(claims["sub"]))


def _safe(name: str) -> str:
    """`name`, if it can be the id of a resource; else a digest of it, which names the same one for ever."""
    return name if _ID.fullmatch(name) else hashlib.sha256(name.encode()).hexdigest()[:40]


def plain(written: Any) -> str:
    """One line of text, of a length that fits a table."""
    return "".join(c for c in str(written)[:200] if c.isprintable())
