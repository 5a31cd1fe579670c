"""What one walk through a resource gathers: its issues, and the shapes of the resources found in it."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Any

from service.errors import Issue, Severity

Json = dict[str, Any]
Place = tuple[Any, ...]
"""Where in the resource: (place of the parent, key) or (place of the parent, key, index); the root is (type,)."""


def expression(place: Place) -> str:
    """The FHIRPath of a place, such as `Observation.component[1].valueQuantity`."""
    if len(place) == 1:
        return str(place[0])
    index = f"[{place[2]}]" if len(place) == 3 else ""
    return f"{expression(place[0])}.{place[1]}{index}"


_CONSTANTS = {"None": "null", "True": "true", "False": "false"}


def shown(value: Any) -> str:
    """A value as an issue shows it: short, on one line."""
    if isinstance(value, dict):
        text = f"an object of {', '.join(map(str, list(value)[:5])) or 'nothing'}"
    elif isinstance(value, list):
        text = f"a list of {len(value)}"
    else:
        text = value if isinstance(value, str) else _CONSTANTS.get(str(value), str(value))
    text = " ".join(text.split())
    return text if len(text) <= 80 else text[:79] + "…"


@dataclass(slots=True)
class Found:
    """A whole resource met on the walk: its type, its shape, and whether the shape tells all there is to judge."""

    type: str
    resource: Json
    place: Place
    shape: Hashable
    certain: bool


@dataclass(slots=True)
class Walk:
    """The state of one walk.

    `resource` is the resource whose elements are being read, `contained` the ids and types of the resources
    contained in it or in its container, `certain` false once the shape alone no longer tells whether
    fhir.resources would agree, `conditional` whether references may be searches.
    """

    resource: Json
    contained: dict[str, str] = field(default_factory=dict)
    conditional: bool = False
    certain: bool = True
    issues: list[Issue] = field(default_factory=list)
    found: list[Found] = field(default_factory=list)

    def has_errors_since(self, count: int) -> bool:
        """Whether an error was noted after the first `count` issues."""
        return len(self.issues) > count and any(each.severity == "error" for each in self.issues[count:])

    def report(
        self,
        place: Place,
        code: str,
        message: str,
        *,
        value: Any = "",
        rule: str = "",
        expected: str = "",
        severity: Severity = "error",
    ) -> None:
        """Note an issue at `place`."""
        where = expression(place)
        self.issues.append(Issue(code, message, where, shown(value), rule, expected, severity))


def contained_types(resource: Json) -> dict[str, str]:
    """Id to type of the resources contained in `resource`, as far as they can be read."""
    listed = resource.get("contained")
    if not isinstance(listed, list):
        return {}
    return {
        each["id"]: each["resourceType"]
        for each in listed
        if isinstance(each, dict) and isinstance(each.get("id"), str) and isinstance(each.get("resourceType"), str)
    }
