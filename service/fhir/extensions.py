"""The extensions that our resources carry, each declared once: where it stands, what it holds, and what that means."""

from __future__ import annotations

from dataclasses import dataclass

from service.fhir.canonical import value_set
from service.fhir.course import AFFECTED, ANGLE, DOMINANT, LEVEL, REFERENCE
from service.fhir.observation import ORTHOSIS_WORN
from service.fhir.snapshot import Change, structure_definition
from service.fhir.text import Json


@dataclass(frozen=True, slots=True)
class Extension:
    """One extension. `context` is the element it stands on, `type` the datatype of its value.

    `bound` is the short name of the value set that a code must come from, `target` the type a Reference points at.
    """

    url: str
    title: str
    description: str
    context: str
    type: str
    bound: str = ""
    target: str = ""

    @property
    def value(self) -> Json:
        """What the profile says of its value."""
        narrowed: Json = {"short": self.title, "min": 1, "type": [{"code": self.type}]}
        if self.target:
            pointed = f"http://hl7.org/fhir/StructureDefinition/{self.target}"
            narrowed["type"] = [{"code": self.type, "targetProfile": [pointed]}]
        if self.bound:
            narrowed["binding"] = {"strength": "required", "valueSet": value_set(self.bound)}
        return narrowed


EXTENSIONS = (
    Extension(
        ORTHOSIS_WORN,
        "Orthosis worn",
        "Which orthosis the hand was in, or had just been taken out of, when the reading was taken.",
        "Observation",
        "Reference",
        target="DeviceUseStatement",
    ),
    Extension(
        AFFECTED, "Affected side", "A side that the course of therapy treats.", "EpisodeOfCare", "code", bound="side"
    ),
    Extension(
        REFERENCE,
        "Reference side",
        "The side that a clinician marked as fit to be compared with; without it nothing is compared across sides.",
        "EpisodeOfCare",
        "code",
        bound="side",
    ),
    Extension(DOMINANT, "Dominant side", "The hand that the person prefers.", "EpisodeOfCare", "code", bound="side"),
    Extension(LEVEL, "Level of loss", "Where a digit now ends.", "Condition", "code", bound="level-of-loss"),
    Extension(
        ANGLE, "Fused at", "The angle of flexion at which a fused joint stands, in degrees.", "Condition", "Quantity"
    ),
)


def extensions() -> list[Json]:
    """The StructureDefinition of every extension."""
    return [_structure(each) for each in EXTENSIONS]


def _structure(extension: Extension) -> Json:
    changes: list[Change] = [
        ("Extension", {"short": extension.title, "definition": extension.description}),
        ("Extension.extension", {"max": "0"}),
        ("Extension.url", {"fixedUri": extension.url}),
        ("Extension.value[x]", extension.value),
    ]
    context = [{"type": "element", "expression": extension.context}]
    return structure_definition(
        extension.url, extension.title, extension.description, "Extension", changes, context=context
    )
