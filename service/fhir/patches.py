"""A patch of either form, read from a body, and applied to a resource."""

from __future__ import annotations

from collections.abc import Callable

from service.errors import Issue, UnsupportedFormat
from service.fhir import fhirpath_patch, json_patch, text
from service.fhir.text import Json

FORMATS: tuple[str, ...] = (json_patch.MEDIA_TYPE, "application/fhir+json")
"""JSON Patch, and FHIRPath Patch as a Parameters resource."""
Patch = Callable[[Json], Json]
"""A patched copy of a resource. Raises `Conflict` where a test fails, `Invalid` where a path leads nowhere."""


def json_patch_of(body: bytes) -> Patch:
    """The JSON Patch in a body. Raises `Malformed` for what is no JSON, `Invalid` for what is no patch."""
    operations = json_patch.parse(body)
    return lambda resource: json_patch.apply(resource, operations)


def fhirpath_patch_of(parameters: Json) -> Patch:
    """The FHIRPath Patch in a resource. Raises `Invalid` for what is no patch."""
    operations = fhirpath_patch.parse(parameters)
    return lambda resource: fhirpath_patch.apply(resource, operations)


def patch_in(body: bytes, media_type: str) -> Patch:
    """The patch in a body of one of `FORMATS`. Raises `Malformed`, `Invalid`, `UnsupportedFormat`."""
    if media_type == json_patch.MEDIA_TYPE:
        return json_patch_of(body)
    if body.lstrip()[:1] == b"[":
        message = "An array is a JSON Patch, which has a media type of its own."
        expected = json_patch.MEDIA_TYPE
        raise UnsupportedFormat(Issue("not-supported", message, "http.Content-Type", media_type, expected=expected))
    return fhirpath_patch_of(text.parse(body))
