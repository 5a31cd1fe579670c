"""How the digest is made from HL7's package hl7.fhir.r4.core 4.0.1: what is kept of it, and in what shape."""

from __future__ import annotations

import json
import tarfile
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec

from service.fhir.definitions import BASE_TYPES, DEFINITION_TYPES, SERVED_TYPES, VALIDATED_TYPES

Json = dict[str, Any]
_BASE = "http://hl7.org/fhir/StructureDefinition/"
_EXAMPLES = "http://hl7.org/fhir/SearchParameter/example"
"""The package also holds examples of search parameters, some with the names of real ones."""
_REPEATED = {"ele-1": "Element", "ext-1": "Extension"}
"""Rules that the package repeats at every element; kept once, with the type they belong to."""


def digest(package: Path) -> dict[str, bytes]:
    """File name to content, the same bytes whenever the package is the same."""
    source = _Package(package)
    definitions = source.needed(source.resource_types())
    elements = {name: _elements(definition) for name, definition in definitions.items()}
    content: dict[str, Any] = {
        "resource-types": source.resource_types(),
        "elements": elements,
        "invariants": {name: _invariants(name, definitions[name]) for name in source.needed(VALIDATED_TYPES)},
        "value-sets": source.value_sets(
            {entry["value_set"] for listed in elements.values() for entry in listed.values() if "value_set" in entry}
        ),
        "search-parameters": source.search_parameters(),
    }
    content |= {f"base-{name}": _without_narrative(definitions[name]) for name in BASE_TYPES}
    encoder = msgspec.json.Encoder(decimal_format="number")
    return {f"{name}.json": encoder.encode(value) + b"\n" for name, value in sorted(content.items())}


class _Package:
    """The definitions in the package, by kind and name."""

    def __init__(self, path: Path) -> None:
        self.structures: dict[str, Json] = {}
        self.by_url: dict[str, Json] = {}
        self.parameters: list[Json] = []
        with tarfile.open(path) as archive:
            for member in archive:
                kind = Path(member.name).name.split("-")[0]
                stream = archive.extractfile(member)
                if stream is None or kind not in (
                    "StructureDefinition",
                    "ValueSet",
                    "CodeSystem",
                    "SearchParameter",
                ):
                    continue
                self._keep(kind, json.loads(stream.read(), parse_float=Decimal))

    def _keep(self, kind: str, definition: Json) -> None:
        if kind == "StructureDefinition":
            self.structures[definition["url"].removeprefix(_BASE)] = definition
        elif kind == "SearchParameter":
            if not definition["url"].startswith(_EXAMPLES):
                self.parameters.append(definition)
        else:
            self.by_url[definition["url"]] = definition

    def resource_types(self) -> list[str]:
        return sorted(
            name
            for name, definition in self.structures.items()
            if definition["kind"] == "resource"
            and definition.get("derivation") == "specialization"
            and not definition["abstract"]
        )

    def needed(self, roots: Iterable[str]) -> dict[str, Json]:
        """The definitions of `roots` and of every datatype that they use, directly or not."""
        found: dict[str, Json] = {}
        waiting = [*roots, "Resource", "DomainResource", "Element", "BackboneElement"]
        while waiting:
            name = waiting.pop()
            if name not in found:
                found[name] = self.structures[name]
                waiting += [code for entry in _elements(found[name]).values() for code in entry.get("types", ())]
        return dict(sorted(found.items()))

    def value_sets(self, urls: set[str]) -> dict[str, dict[str, list[str]] | None]:
        return {url: self._codes(self.by_url.get(url)) for url in sorted(urls)}

    def _codes(self, value_set: Json | None) -> dict[str, list[str]] | None:
        """The codes of a value set by system; None where they are not listed in the package."""
        if value_set is None or set(value_set["compose"]) != {"include"}:
            return None
        codes: dict[str, list[str]] = {}
        for part in value_set["compose"]["include"]:
            if set(part) - {"system", "concept", "extension"}:
                return None
            system = self.by_url.get(part["system"])
            concepts = part.get("concept") or (_all_concepts(system) if system else [])
            if not concepts:
                return None
            codes.setdefault(part["system"], []).extend(concept["code"] for concept in concepts)
        return {system: sorted(set(listed)) for system, listed in sorted(codes.items())}

    def search_parameters(self) -> list[Json]:
        served = {*SERVED_TYPES, *DEFINITION_TYPES, "Resource", "DomainResource"}
        kept = [_parameter(entry) for entry in self.parameters if served & set(entry.get("base", ()))]
        return sorted(kept, key=lambda entry: (entry["code"], entry["url"]))


def _all_concepts(concept: Json) -> list[Json]:
    children: list[Json] = concept.get("concept", [])
    return [found for child in children for found in (child, *_all_concepts(child))]


def _elements(definition: Json) -> dict[str, Json]:
    elements = {entry["path"]: _element(entry) for entry in definition["snapshot"]["element"]}
    if definition["kind"] == "resource":
        # The package calls this a string; https://hl7.org/fhir/R4/resource.html#id says it is an id.
        elements[f"{definition['type']}.id"]["types"] = ["id"]
    return elements


def _element(entry: Json) -> Json:
    kept: Json = {}
    types = [_type_code(each) for each in entry.get("type", ())]
    if types:
        kept["types"] = types
    if entry.get("isSummary"):
        kept["summary"] = True
    if entry["min"]:
        kept["least"] = entry["min"]
    if entry["max"] != "1":
        kept["most"] = None if entry["max"] == "*" else int(entry["max"])
    targets = {url.rsplit("/", 1)[-1] for each in entry.get("type", ()) for url in each.get("targetProfile", ())}
    if targets and "Resource" not in targets and "Reference" in types:
        kept["targets"] = sorted(targets)
    binding = entry.get("binding", {})
    if binding.get("strength") == "required":
        kept["value_set"] = binding["valueSet"].split("|")[0]
    if "contentReference" in entry:
        kept["same_as"] = entry["contentReference"].removeprefix("#")
    return kept


def _type_code(entry: Json) -> str:
    code: str = entry["code"]
    if code.startswith("http://hl7.org/fhirpath/System."):
        real: list[str] = [each["valueUrl"] for each in entry.get("extension", ()) if "valueUrl" in each]
        return real[0] if real else "string"
    profiles = [url.removeprefix(_BASE) for url in entry.get("profile", ())]
    return "SimpleQuantity" if profiles == ["SimpleQuantity"] else code


def _invariants(name: str, definition: Json) -> list[Json]:
    """The rules of a type, without those it has from Resource and Element (they stand with those)."""
    return [
        {
            "key": rule["key"],
            "path": entry["path"],
            "severity": rule["severity"],
            "human": rule["human"],
            "expression": rule.get("expression", ""),
        }
        for entry in definition["snapshot"]["element"]
        for rule in entry.get("constraint", ())
        if _is_own(rule["key"], name, entry["path"])
    ]


def _is_own(key: str, name: str, path: str) -> bool:
    if key.startswith("dom-"):
        return name == "DomainResource"
    return _REPEATED.get(key, path) == path


def _parameter(entry: Json) -> Json:
    kept = {
        "code": entry["code"],
        "type": entry["type"],
        "url": entry["url"],
        "description": entry["description"],
        "expression": entry.get("expression", ""),
        "base": entry["base"],
    }
    for name in ("target", "comparator", "modifier"):
        if name in entry:
            kept[name] = entry[name]
    if "component" in entry:
        kept["components"] = [[part["definition"], part["expression"]] for part in entry["component"]]
    return kept


def _without_narrative(definition: Json) -> Json:
    return {key: value for key, value in definition.items() if key != "text"}
