"""Is this R4?"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from pydantic import ValidationError

from service.errors import Invalid, Issue
from service.fhir.text import Json


def issues_of(resource: Json) -> list[Issue]:
    """Errors and warnings, each with its FHIRPath expression."""
    name = resource.get("resourceType")
    if not isinstance(name, str) or not name.isalpha():
        return [Issue("structure", "The resource does not say its resourceType.", value=str(name))]
    try:
        model: Any = getattr(import_module(f"fhir.resources.R4B.{name.lower()}"), name)
    except (ImportError, AttributeError):
        return [Issue("not-supported", f"'{name}' is no resource type served here.", name)]
    try:
        model.model_validate(resource)
    except ValidationError as refused:
        return [
            Issue("structure", problem["msg"], ".".join([name, *map(str, problem["loc"])]))
            for problem in refused.errors()
        ]
    return []


def require_valid(resource: Json) -> None:
    """Raise `Invalid` with the errors, if there are any."""
    errors = [issue for issue in issues_of(resource) if issue.severity in ("error", "fatal")]
    if errors:
        raise Invalid(*errors)
