"""What this server offers, as a CapabilityStatement: the interactions listed here and the table of searches."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import version

from service.fhir.canonical import operation
from service.fhir.definitions import DEFINITION_TYPES, SERVED_TYPES
from service.fhir.guide import GUIDE
from service.fhir.operations import READ_ONLY, operations_of
from service.fhir.orthosis.names import TYPES as EPISODE_TYPES
from service.fhir.patches import FORMATS
from service.fhir.published import definition
from service.fhir.search_parameters import parameters_of
from service.fhir.search_results import includes_of, reverse_includes_of
from service.fhir.text import Json

SYSTEM_INTERACTIONS: tuple[str, ...] = ("transaction", "batch", "history-system")
TYPE_INTERACTIONS: tuple[str, ...] = (
    "read", "vread", "history-instance", "history-type", "create", "update", "patch", "delete", "search-type",
)  # fmt: skip
CHANGES = frozenset({"create", "update", "patch", "delete", "history-type"})
"""What is not offered for a type that is only read, and never changes."""
EVENT_SEARCHES = frozenset(
    {
        "_id",
        "_lastUpdated",
        "action",
        "address",
        "agent",
        "agent-role",
        "altid",
        "date",
        "entity",
        "outcome",
        "patient",
        "subtype",
    }
)
"""The search parameters of AuditEvent that the trail of events answers."""
CONDITIONAL: Json = {
    "conditionalCreate": True,
    "conditionalRead": "full-support",
    "conditionalUpdate": True,
    "conditionalDelete": "single",
}
"""What can be done under conditions, in the words of the statement."""

BULK_DATA = "http://hl7.org/fhir/uv/bulkdata"
BULK_VERSION = "3.0.0"
EXPORTS: dict[str, str] = {"": "export", "Patient": "patient-export", "Group": "group-export"}
"""What is exported (the whole system where the type is empty), and which of the guide's definitions that is."""

LIFE_OF_STATES = (
    "What claims a profile of an orthosis episode has a life of states: it is created, and then neither updated, "
    "patched nor deleted. Its statuses follow from its events. Further events are new Procedures and "
    "DeviceUseStatements of the episode, or come by /orthosis-episodes."
)


def interactions_of(resource_type: str) -> tuple[str, ...]:
    """The interactions a type is served with, in the words of R4's type-restful-interaction."""
    if resource_type in DEFINITION_TYPES:
        return ("read", "search-type")
    return tuple(each for each in TYPE_INTERACTIONS if not (resource_type in READ_ONLY and each in CHANGES))


def offers() -> tuple[tuple[str, str], ...]:
    """Every (type, interaction) of the statement, the type empty for what the whole system does."""
    whole = tuple(("", each) for each in SYSTEM_INTERACTIONS)
    return whole + tuple((name, each) for name in (*SERVED_TYPES, *DEFINITION_TYPES) for each in interactions_of(name))


def capability_statement(address: str = "", supported: Mapping[str, tuple[str, ...]] | None = None) -> Json:
    """The statement of the software, or with an `address` that of the server running there.

    `supported` names the profiles that resources of each type can claim.
    """
    content: Json = {"kind": "instance" if address else "capability"}
    content["software"] = {"name": "Hand-therapy record", "version": version("hand-therapy-record")}
    if address:
        content["implementation"] = {"description": "Hand-therapy record of one clinic", "url": address}
    content |= {"fhirVersion": "4.0.1", "format": ["json"], "patchFormat": list(FORMATS)}
    content["instantiates"] = [f"{BULK_DATA}/CapabilityStatement/bulk-data|{BULK_VERSION}"]
    content |= {"implementationGuide": [GUIDE], "rest": [_rest(supported or {})]}
    text = (
        "A record of hand therapy: joint motion, grip strength, touch thresholds and the wearing of orthoses. "
        "Numbers inform; the treating clinician decides."
    )
    return definition("CapabilityStatement", "record", "Hand-therapy record", text, **content)


def _rest(supported: Mapping[str, tuple[str, ...]]) -> Json:
    return {
        "mode": "server",
        "resource": [_resource(name, supported.get(name, ())) for name in (*SERVED_TYPES, *DEFINITION_TYPES)],
        "interaction": [{"code": code} for code in SYSTEM_INTERACTIONS],
        **_operations(""),
    }


def _resource(name: str, supported: tuple[str, ...]) -> Json:
    found: Json = {"type": name}
    if supported:
        found["supportedProfile"] = list(supported)
    found["interaction"] = [{"code": code} for code in interactions_of(name)]
    if name in EPISODE_TYPES:
        found["documentation"] = LIFE_OF_STATES
    if name in DEFINITION_TYPES:
        return found | {"versioning": "no-version", "searchParam": _search(name), **_operations(name)}
    found |= {"versioning": "versioned-update", "readHistory": True}
    if name not in READ_ONLY:
        found |= {"updateCreate": True, **CONDITIONAL}
        found |= {"searchInclude": ["*", *includes_of(name)], "searchRevInclude": list(reverse_includes_of(name))}
    return found | {"searchParam": _search(name), **_operations(name)}


def _operations(name: str) -> Json:
    offered = [{"name": each.name, "definition": operation(each.id)} for each in operations_of(name)]
    if name in EXPORTS:
        offered.append({"name": "export", "definition": f"{BULK_DATA}/OperationDefinition/{EXPORTS[name]}"})
    return {"operation": offered} if offered else {}


def _search(resource_type: str) -> list[Json]:
    return [
        {"name": name, **({"definition": each.definition} if each.definition else {}), "type": each.kind}
        for name, each in parameters_of(resource_type).items()
        if resource_type not in READ_ONLY or name in EVENT_SEARCHES
    ]
