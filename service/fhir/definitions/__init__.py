"""What FHIR R4 4.0.1 says about the types served here: a digest of HL7's own package, and its reader.

The JSON files beside this one are generated from hl7.fhir.r4.core 4.0.1 (CC0-1.0) and are never edited by
hand: `python -m service.fhir.definitions PATH.tgz` writes them anew, and a test compares them with the package.
Everything is read lazily, once, and shared: treat what these functions return as read-only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import msgspec

from service.fhir.text import parse

SERVED_TYPES: tuple[str, ...] = (
    "Patient",
    "RelatedPerson",
    "Practitioner",
    "PractitionerRole",
    "Organization",
    "Location",
    "CareTeam",
    "Encounter",
    "EpisodeOfCare",
    "Condition",
    "Flag",
    "Observation",
    "Device",
    "DeviceMetric",
    "DeviceRequest",
    "DeviceUseStatement",
    "Procedure",
    "ServiceRequest",
    "CarePlan",
    "Goal",
    "SupplyDelivery",
    "Coverage",
    "ChargeItem",
    "Task",
    "Media",
    "BodyStructure",
    "DiagnosticReport",
    "DocumentReference",
    "Composition",
    "Questionnaire",
    "QuestionnaireResponse",
    "Consent",
    "Provenance",
    "AuditEvent",
    "Group",
    "Binary",
)
"""The resource types this server stores."""

DEFINITION_TYPES: tuple[str, ...] = (
    "StructureDefinition",
    "ValueSet",
    "CodeSystem",
    "ConceptMap",
    "SearchParameter",
    "OperationDefinition",
    "ImplementationGuide",
    "CapabilityStatement",
)
"""The types of which this server has only its own, generated definitions; they are read and never written."""

VALIDATED_TYPES: tuple[str, ...] = (*SERVED_TYPES, "Bundle", "OperationOutcome", "CapabilityStatement")
"""The types checked in full: those stored, and those that only travel."""

BASE_TYPES: tuple[str, ...] = (
    "Observation",
    "Device",
    "DeviceUseStatement",
    "Procedure",
    "ServiceRequest",
    "Extension",
    "Patient",
    "Encounter",
    "EpisodeOfCare",
    "Condition",
    "DeviceRequest",
    "Flag",
    "Goal",
    "Media",
    "DeviceMetric",
    "SupplyDelivery",
    "Provenance",
    "Task",
    "ChargeItem",
)
"""The types whose whole StructureDefinition is kept, to derive profiles from."""


@dataclass(frozen=True, slots=True)
class Element:
    """One element of a type, by its path (`Observation.component.value[x]`).

    `most` is None for `*`. `types` are the FHIR types it may have; `targets` the types a Reference may point
    at (empty: any). `value_set` is set where the codes are binding (strength required), `same_as` names the
    path whose children this element has too, and `summary` says that it belongs to a resource's summary.
    """

    path: str
    types: tuple[str, ...] = ()
    least: int = 0
    most: int | None = 1
    targets: tuple[str, ...] = ()
    value_set: str = ""
    same_as: str = ""
    summary: bool = False

    @property
    def name(self) -> str:
        return self.path.rsplit(".", 1)[-1]

    @property
    def parent(self) -> str:
        return self.path.rpartition(".")[0]


@dataclass(frozen=True, slots=True)
class Invariant:
    """A rule of the standard: FHIRPath `expression`, to hold at every element of that `path`."""

    key: str
    path: str
    severity: str
    human: str
    expression: str


@dataclass(frozen=True, slots=True)
class SearchParameter:
    """A search parameter as the standard defines it; `type` is number, date, string, token, reference …"""

    code: str
    type: str
    url: str
    description: str
    expression: str
    base: tuple[str, ...]
    target: tuple[str, ...] = ()
    comparator: tuple[str, ...] = ()
    modifier: tuple[str, ...] = ()
    components: tuple[tuple[str, str], ...] = ()


@cache
def _read(name: str) -> Any:
    return msgspec.json.decode(files(__package__).joinpath(f"{name}.json").read_bytes())


@cache
def resource_types() -> frozenset[str]:
    """Every concrete resource type of R4, served here or not."""
    return frozenset(_read("resource-types"))


@cache
def elements(type_name: str) -> dict[str, Element]:
    """Path to element, in the order of the standard, for a served type or a datatype; KeyError for others."""
    return {
        path: msgspec.convert({"path": path, **entry}, Element) for path, entry in _read("elements")[type_name].items()
    }


@cache
def described_types() -> frozenset[str]:
    """The types `elements` knows."""
    return frozenset(_read("elements"))


@cache
def invariants(type_name: str) -> tuple[Invariant, ...]:
    """The rules the standard gives for a type itself; those of its datatypes stand with the datatypes."""
    return tuple(msgspec.convert(entry, Invariant) for entry in _read("invariants").get(type_name, ()))


@cache
def codes(value_set: str) -> dict[str, frozenset[str]] | None:
    """Code system to its codes in a value set with a required binding; None where the set is open-ended."""
    systems = _read("value-sets")[value_set]
    return None if systems is None else {system: frozenset(listed) for system, listed in systems.items()}


def bound_value_sets() -> tuple[str, ...]:
    """The value sets that `codes` knows."""
    return tuple(_read("value-sets"))


@cache
def search_parameters(type_name: str) -> dict[str, SearchParameter]:
    """Code to search parameter of a served type or type of definition, with those of every resource (`_id` …)."""
    bases = {type_name, "Resource", "DomainResource"}
    if type_name == "Binary":
        bases.remove("DomainResource")
    listed = (msgspec.convert(entry, SearchParameter) for entry in _read("search-parameters"))
    return {parameter.code: parameter for parameter in listed if bases.intersection(parameter.base)}


def base_definition(type_name: str) -> dict[str, Any]:
    """A fresh copy of the StructureDefinition of one of `BASE_TYPES`, without its narrative."""
    return parse(files(__package__).joinpath(f"base-{type_name}.json").read_bytes())
