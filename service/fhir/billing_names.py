"""The profiles, code systems and extensions of what proves and confirms an orthosis episode for billing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.domain.billing.dossier import STATEMENTS
from service.fhir.canonical import code_system, profile

DELIVERY_PROFILE = profile("orthosis-delivery")
STATEMENT_PROFILE = profile("billing-statement")
CONFIRMATION_PROFILE = profile("billing-confirmation")
CHARGE_PROFILE = profile("orthosis-charge")

PROFILES: Mapping[str, str] = {
    DELIVERY_PROFILE: "SupplyDelivery",
    STATEMENT_PROFILE: "Provenance",
    CONFIRMATION_PROFILE: "Task",
    CHARGE_PROFILE: "ChargeItem",
}
"""The profiles, each with its type."""
DECIDED = (CONFIRMATION_PROFILE, CHARGE_PROFILE)
"""The profiles of what has a life of states: written by a biller's decision, and by nothing else."""

STATEMENT_SYSTEM = code_system("billing-statement")
DECISION_SYSTEM = code_system("billing-decision")
PART_SYSTEM = code_system("billing-part")

DECISIONS: dict[str, str] = {
    "confirmed": "confirmed for billing",
    "returned": "returned with a question",
    "void": "confirmed, and taken back",
}
PARTS: dict[str, str] = {
    "confirmation": "confirmation of an orthosis episode for billing",
    "seen": "a version that the decision rests on",
    "charge": "a charge that the decision made, or is included in",
    "cover": "the coverage it was confirmed under",
    "date-of-service": "the date of service at that time",
    "answer": "the answer to the question",
}
SIGNED = "signed"
STATED: dict[str, str] = {**STATEMENTS, SIGNED: "a signature as the document carries it"}


def claims(resource: Mapping[str, Any], url: str) -> bool:
    """Whether a resource claims one of these profiles, and is of its type."""
    given = (resource.get("meta") or {}).get("profile") or []
    return url in given and resource.get("resourceType") == PROFILES[url]


def is_decided(resource: Mapping[str, Any]) -> bool:
    """Whether a resource is a biller's decision, or a charge of one."""
    return any(claims(resource, url) for url in DECIDED)
