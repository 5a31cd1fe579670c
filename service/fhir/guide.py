"""The ImplementationGuide: all definitions published here, as one list."""

from __future__ import annotations

from collections.abc import Iterable

from service.fhir.canonical import BASE
from service.fhir.published import definition
from service.fhir.text import Json

GUIDE = f"{BASE}/ImplementationGuide/hand-therapy-record"
"""The address of the guide."""
PACKAGE_ID = "example.hand-therapy-record"
LICENSE = "Apache-2.0"
FHIR_VERSION = "4.0.1"


def implementation_guide(resources: Iterable[Json]) -> Json:
    """The guide that lists these definitions."""
    text = (
        "How a record of hand therapy states readings, courses of therapy, orthoses and results as FHIR R4: profiles, "
        "extensions, code systems, value sets, maps, search parameters and operations. Numbers inform; they prescribe "
        "nothing."
    )
    listed = [
        {
            "reference": {"reference": f"{each['resourceType']}/{each['id']}"},
            "name": each.get("title", each["name"]),
            "description": each["description"],
            "exampleBoolean": False,
        }
        for each in resources
    ]
    return definition(
        "ImplementationGuide", "hand-therapy-record", "Hand-therapy record", text, packageId=PACKAGE_ID,
        license=LICENSE, fhirVersion=[FHIR_VERSION], definition={"resource": listed},
    )  # fmt: skip
