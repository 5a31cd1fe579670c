"""What every definition published here says of itself, and the notices it owes to the code systems it draws on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.domain.terms import LOINC, SNOMED
from service.fhir.canonical import BASE, UCUM
from service.fhir.text import Json

PUBLISHER = "Hand-therapy record project (invented publisher)"
VERSION = "1.0.0"
DATE = "2026-11-24"
"""The day these definitions were last changed; fixed, so that generating them again gives the same bytes."""

NOTICES = {
    LOINC: (
        "This material contains content from LOINC (http://loinc.org). LOINC is copyright Regenstrief Institute, Inc. "
        "and the Logical Observation Identifiers Names and Codes (LOINC) Committee and is available at no cost under "
        "the license at http://loinc.org/license. LOINC is a registered United States trademark of Regenstrief "
        "Institute, Inc."
    ),
    SNOMED: (
        "This material contains identifiers and terms of SNOMED CT, copyright SNOMED International "
        "(https://www.snomed.org). SNOMED and SNOMED CT are registered trademarks of SNOMED International. "
        "Identifiers and terms only: no hierarchy and no definition is included. Use is subject to the licence terms "
        "of SNOMED International."
    ),
    UCUM: (
        "This material contains codes of UCUM (https://ucum.org), copyright Regenstrief Institute, Inc., "
        "available at no cost under the UCUM licence."
    ),
}
"""The notice that travels with the codes of a public code system, by the address of that system."""


def definition(resource_type: str, name: str, title: str, description: str, /, **content: Any) -> Json:
    """A conformance resource: its head, its content, and the notices of the code systems found in the content.

    `name` is the last part of its address, `content` is in the order of the standard.
    """
    carried = set(_texts(content))
    notices = [notice for system, notice in NOTICES.items() if system in carried]
    return {
        "resourceType": resource_type,
        "id": name,
        "url": f"{BASE}/{resource_type}/{name}",
        "version": VERSION,
        "name": "".join(part[:1].upper() + part[1:] for part in name.split("-")),
        "title": title,
        "status": "active",
        "experimental": False,
        "date": DATE,
        "publisher": PUBLISHER,
        "description": description,
        **({"copyright": "\n\n".join(notices)} if notices else {}),
        **content,
    }


def _texts(content: Any) -> Iterator[str]:
    if isinstance(content, str):
        yield content
    elif isinstance(content, dict):
        for value in content.values():
            yield from _texts(value)
    elif isinstance(content, list):
        for value in content:
            yield from _texts(value)
