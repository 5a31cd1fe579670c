"""The table of search parameters: one row for each name a resource type can be searched by."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from service.fhir.search_paths import Path, compile_expression

Kind = Literal["token", "reference", "string", "date", "uri"]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one type. `target` is the only type a reference can point to, if there is only one.

    `paths` is empty for what the store itself knows (`_id`, `_lastUpdated`).
    """

    name: str
    kind: Kind
    paths: tuple[Path, ...] = ()
    target: str = ""


_STORE = (Parameter("_id", "token"), Parameter("_lastUpdated", "date"))

_ROWS = (
    ("Observation", "patient", "reference", "Observation.subject.where(resolve() is Patient)"),
    ("Observation", "subject", "reference", "Observation.subject"),
    ("Observation", "code", "token", "Observation.code"),
    ("Observation", "date", "date", "Observation.effective"),
    ("Observation", "category", "token", "Observation.category"),
    ("Observation", "encounter", "reference", "Observation.encounter"),
    ("Observation", "body-site", "token", "Observation.bodySite"),
    ("Observation", "status", "token", "Observation.status"),
    ("Observation", "identifier", "token", "Observation.identifier"),
    ("Patient", "identifier", "token", "Patient.identifier"),
    ("Patient", "family", "string", "Patient.name.family"),
    ("Patient", "given", "string", "Patient.name.given"),
    ("Patient", "name", "string", "Patient.name"),
    ("Patient", "birthdate", "date", "Patient.birthDate"),
)


@cache
def parameters_of(resource_type: str) -> dict[str, Parameter]:
    """The search parameters of a type, by name."""
    table = {one.name: one for one in _STORE}
    for kind, name, form, expression in _ROWS:
        if kind == resource_type:
            paths = compile_expression(expression, resource_type)
            if paths:
                table[name] = Parameter(name, form, paths, "Patient" if name == "patient" else "")  # type: ignore[arg-type]
    return table
