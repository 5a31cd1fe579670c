"""The table of search parameters: one row for each name a resource type can be searched by.

Most rows are R4's own, read from the digest of the standard; only what R4 lacks is declared here. A parameter of R4 is
left out where its expression is no plain walk, where its kind is special, where it joins parts of something smaller
than a resource (the index does not keep which part belongs to which), or where it is named below.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, cast, get_args

from service.fhir.definitions import SERVED_TYPES, SearchParameter, elements, search_parameters
from service.fhir.search_paths import Path, compile_expression

Kind = Literal["token", "reference", "string", "date", "uri", "number", "quantity", "composite"]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one type.

    `paths` is empty for what the store itself knows (`_id`, `_lastUpdated`). `target` is the only type a reference
    can point to, if there is only one, `targets` are all types, empty for any. `definition` is the address of R4's
    SearchParameter; empty for our own. `parts` are the parameters that a composite joins.
    """

    name: str
    kind: Kind
    paths: tuple[Path, ...] = ()
    target: str = ""
    definition: str = ""
    targets: tuple[str, ...] = ()
    parts: tuple[Parameter, ...] = ()


OWN: tuple[tuple[str, str, Kind, str], ...] = (
    ("Observation", "body-site", "token", "Observation.bodySite"),
    ("DeviceUseStatement", "status", "token", "DeviceUseStatement.status"),
    ("DeviceUseStatement", "period", "date", "DeviceUseStatement.timing"),
    ("DeviceUseStatement", "body-site", "token", "DeviceUseStatement.bodySite"),
)
"""What R4 cannot be asked: type, name, kind, expression."""

_OF_THE_STORE = ("_id", "_lastUpdated")

_LEFT_OUT = frozenset({
    # A search by sound needs an index of sounds; read as plain text it would answer something else.
    ("Patient", "phonetic"), ("Practitioner", "phonetic"), ("RelatedPerson", "phonetic"), ("Organization", "phonetic"),
    # Every component of every reading would be a row; the code of the reading says which kind it is.
    ("Observation", "combo-code"), ("Observation", "combo-value-concept"), ("Observation", "component-code"),
    ("Observation", "combo-data-absent-reason"), ("Observation", "component-data-absent-reason"),
    ("Observation", "component-value-concept"), ("Observation", "combo-value-quantity"),
    ("Observation", "component-value-quantity"),
    # Events are rows of their own, searched by what is asked of them.
    *(("AuditEvent", name) for name in (
        "_profile", "_security", "_source", "_tag", "agent-name", "entity-name", "entity-role", "entity-type", "policy",
        "site", "source", "type",
    )),
})  # fmt: skip


@cache
def parameters_of(resource_type: str) -> dict[str, Parameter]:
    """The search parameters of a type, by name; empty for a type not kept here."""
    if resource_type not in SERVED_TYPES:
        return {}
    table = {}
    for name, standard in search_parameters(resource_type).items():
        parameter = _standard(resource_type, standard)
        if parameter is not None and (resource_type, name) not in _LEFT_OUT:
            table[name] = parameter
    for kind, name, form, expression in OWN:
        if kind == resource_type:
            table[name] = Parameter(name, form, compile_expression(expression, kind) or ())
    return table | _composites(resource_type, table)


def _composites(resource_type: str, table: dict[str, Parameter]) -> dict[str, Parameter]:
    """The composites whose parts belong to the resource itself, so that both being met is both being met together."""
    by_definition = {one.definition: one for one in table.values() if one.definition}
    found = {}
    for name, standard in search_parameters(resource_type).items():
        parts = tuple(by_definition[url] for url, _ in standard.components if url in by_definition)
        if standard.type == "composite" and standard.expression == resource_type and len(parts) == 2:
            found[name] = Parameter(name, "composite", definition=standard.url, parts=parts)
    return found


def _standard(resource_type: str, standard: SearchParameter) -> Parameter | None:
    if standard.type not in get_args(Kind) or standard.type == "composite":
        return None
    paths: tuple[Path, ...] = ()
    if standard.code not in _OF_THE_STORE:
        paths = compile_expression(standard.expression, resource_type) or ()
        if not paths:
            return None
    targets = _targets(standard.code, paths) if standard.type == "reference" else ()
    target = targets[0] if len(targets) == 1 else ""
    return Parameter(standard.code, cast(Kind, standard.type), paths, target, standard.url, targets)


def _targets(name: str, paths: tuple[Path, ...]) -> tuple[str, ...]:
    """The types that references on these paths point to; empty if none is named."""
    if name == "patient":
        # Everybody's chart is asked for as patient=1, whatever else R4 lets the element point at.
        return ("Patient",)
    named: set[str] = set()
    for path in paths:
        element = elements(path.type).get(".".join((path.type, *path.steps)))
        named |= {path.target} if path.target else set(element.targets if element else ())
    return tuple(sorted(named))
