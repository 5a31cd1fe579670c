"""Is this R4? Our own rules first, always; then fhir.resources, once for every shape.

What fhir.resources lets pass and R4 does not (wrong codes, null, empty things, targets of references, invariants and
more) is checked by `service.fhir.structure` and its neighbours from HL7's own definitions. Profiles are not judged
here.
"""

from __future__ import annotations

from service.errors import Invalid, Issue
from service.fhir.definitions import VALIDATED_TYPES, resource_types
from service.fhir.nested import walked
from service.fhir.shape_gate import arbiter_issues
from service.fhir.text import Json
from service.fhir.walk import shown


def issues_of(resource: Json) -> list[Issue]:
    """Errors and warnings of a resource, each with its FHIRPath expression; empty for one beyond reproach."""
    name = resource.get("resourceType")
    if not isinstance(name, str) or not name:
        message = "The resource must say its resourceType."
        return [Issue("structure", message, "resourceType", shown(name), "resource-type", "such as Observation")]
    if name not in resource_types():
        message = f"'{shown(name)}' is no resource type of FHIR R4."
        return [Issue("structure", message, "resourceType", shown(name), "resource-type")]
    if name not in VALIDATED_TYPES:
        message = f"Resources of the type {name} are not kept here."
        return [Issue("not-supported", message, "resourceType", name, "resource-type")]
    walk = walked(resource, name)
    if walk.has_errors_since(0):
        return walk.issues
    # The innermost resources come first: the arbiter cannot read one that holds a type unknown to it.
    refused = next((issues for issues in map(arbiter_issues, walk.found) if issues), [])
    return walk.issues + refused


def require_valid(resource: Json) -> None:
    """Raise `Invalid` with the errors of a resource, if it has any; warnings pass."""
    errors = [issue for issue in issues_of(resource) if issue.severity in ("error", "fatal")]
    if errors:
        raise Invalid(*errors)
