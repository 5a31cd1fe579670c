"""The names of our own definitions: one base address for code systems, profiles and extensions.

The base is the project's, not a clinic's: records of two clinics can only be read together when a code means the
same in both. It is written into each database at first start, and a database made under another base is refused.
"""

from __future__ import annotations

BASE = "https://hand-therapy-record.example/fhir"
"""Canonical base. `.example` is reserved (RFC 2606): nothing is ever fetched from it."""

UCUM = "http://unitsofmeasure.org"


def code_system(name: str) -> str:
    """Address of one of our code systems, by its short name (`observation-code`)."""
    return f"{BASE}/CodeSystem/{name}"


def value_set(name: str) -> str:
    """Address of one of our value sets."""
    return f"{BASE}/ValueSet/{name}"


def profile(name: str) -> str:
    """Address of one of our profiles or extensions."""
    return f"{BASE}/StructureDefinition/{name}"


def search_parameter(name: str) -> str:
    """Address of one of our search parameters."""
    return f"{BASE}/SearchParameter/{name}"


def operation(name: str) -> str:
    """Address of one of our definitions of operations."""
    return f"{BASE}/OperationDefinition/{name}"
