"""The table of search parameters: one row for each name a resource type can be searched by.

Most rows are R4's own, read from the digest of the standard; only what R4 lacks is declared here. A parameter of R4 is
left out where its expression is no plain walk, where its kind is special, where it joins parts of something smaller
than a resource other than a component of an Observation (the index does not keep which part belongs to which), or
where it is named below.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, cast, get_args

from service.fhir.canonical import search_parameter
from service.fhir.definitions import DEFINITION_TYPES, SERVED_TYPES, SearchParameter, elements, search_parameters
from service.fhir.search_paths import Path, compile_expression

Kind = Literal["token", "reference", "string", "date", "uri", "number", "quantity", "composite"]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one type.

    `paths` is empty for what the store itself knows (`_id`, `_lastUpdated`). `target` is the only type a reference
    can point to, if there is only one, `targets` are all types, empty for any. `definition` is the address of its
    SearchParameter. `parts` are the parameters that a composite joins.
    """

    name: str
    kind: Kind
    paths: tuple[Path, ...] = ()
    target: str = ""
    definition: str = ""
    targets: tuple[str, ...] = ()
    parts: tuple[Parameter, ...] = ()


@dataclass(frozen=True, slots=True)
class Own:
    """A search parameter of ours: on which type, its name, kind and expression, and what it finds."""

    base: str
    name: str
    kind: Kind
    expression: str
    meaning: str

    @property
    def id(self) -> str:
        """The last part of the address of its definition."""
        return f"{self.base}-{self.name}"


OWN: tuple[Own, ...] = (
    Own("Observation", "body-site", "token", "Observation.bodySite", "Where something was measured, with its side."),
    Own("DeviceUseStatement", "status", "token", "DeviceUseStatement.status", "Whether the device is being used."),
    Own("DeviceUseStatement", "period", "date", "DeviceUseStatement.timing", "When the device is, or was, to be used."),
    Own("DeviceUseStatement", "body-site", "token", "DeviceUseStatement.bodySite", "Where the device is worn."),
)
"""What R4 cannot be asked."""

COMPONENT, COMBO = "component-", "combo-"
"""How the parameters of Observation begin that look into its components, alone or beside the Observation itself."""


def in_components(name: str) -> bool:
    """Whether a parameter of Observation looks into components, which have no rows in the index."""
    return name.startswith((COMPONENT, COMBO))


_OF_THE_STORE = ("_id", "_lastUpdated")

_OF_STORED = frozenset({"_lastUpdated", "_profile", "_security", "_source", "_tag"})
"""What our own definitions, which are generated, say nothing about."""

_LEFT_OUT = frozenset({
    # A search by sound needs an index of sounds; read as plain text it would answer something else.
    ("Patient", "phonetic"), ("Practitioner", "phonetic"), ("RelatedPerson", "phonetic"), ("Organization", "phonetic"),
    # Events are rows of their own, searched by what is asked of them.
    *(("AuditEvent", name) for name in (
        "_profile", "_security", "_source", "_tag", "agent-name", "entity-name", "entity-role", "entity-type", "policy",
        "site", "source", "type",
    )),
})  # fmt: skip


@cache
def parameters_of(resource_type: str) -> dict[str, Parameter]:
    """The search parameters of a type that is kept or published here, by name; empty for any other."""
    if resource_type not in (*SERVED_TYPES, *DEFINITION_TYPES):
        return {}
    table = {}
    for name, standard in search_parameters(resource_type).items():
        parameter = _standard(resource_type, standard)
        is_stored = resource_type in SERVED_TYPES or name not in _OF_STORED
        if parameter is not None and is_stored and (resource_type, name) not in _LEFT_OUT:
            table[name] = parameter
    for own in OWN:
        if own.base == resource_type:
            paths = compile_expression(own.expression, own.base) or ()
            table[own.name] = Parameter(own.name, own.kind, paths, definition=search_parameter(own.id))
    return table | _composites(resource_type, table)


def _composites(resource_type: str, table: dict[str, Parameter]) -> dict[str, Parameter]:
    """The composites whose parts belong to the resource itself, so that both being met is both being met together."""
    by_definition = {one.definition: one for one in table.values() if one.definition}
    found = {}
    for name, standard in search_parameters(resource_type).items():
        parts = tuple(by_definition[url] for url, _ in standard.components if url in by_definition)
        whole = standard.expression == resource_type or in_components(name)
        if standard.type == "composite" and whole and len(parts) == 2:
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
