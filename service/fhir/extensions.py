"""Every extension that our resources carry."""

from __future__ import annotations

from service.fhir.billing_extensions import OF_BILLING
from service.fhir.course_extensions import OF_COURSES
from service.fhir.extension import Extension
from service.fhir.observation import ORTHOSIS_WORN
from service.fhir.orthosis_extensions import OF_ORTHOSES
from service.fhir.research_extensions import OF_RESEARCH
from service.fhir.text import Json

WORN = Extension(
    ORTHOSIS_WORN,
    "Orthosis worn",
    "Which orthosis the hand was in, or had just been taken out of, when the reading was taken.",
    "Observation",
    "Reference",
    target="DeviceUseStatement",
)
EXTENSIONS = (WORN, *OF_COURSES, *OF_ORTHOSES, *OF_BILLING, *OF_RESEARCH)


def extensions() -> list[Json]:
    """The StructureDefinition of every extension."""
    return [each.structure() for each in EXTENSIONS]
