"""What profiles say again and again: a binding, a rule, and which extensions stand on an element."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.canonical import value_set
from service.fhir.extension import Extension
from service.fhir.snapshot import Change
from service.fhir.text import Json

CORE = "http://hl7.org/fhir/StructureDefinition"
BY_URL = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}


def bound(name: str, short: str) -> Json:
    """Codes from one of our value sets, by its short name, and from nowhere else."""
    return {"short": short, "binding": {"strength": "required", "valueSet": value_set(name)}}


def rule(source: str, key: str, human: str, expression: str) -> Json:
    """A FHIRPath rule of the profile `source`, broken by which a resource is in error."""
    return {"key": key, "severity": "error", "human": human, "expression": expression, "source": source}


def narrowed(path: str, *extensions: Extension, required: tuple[Extension, ...] = ()) -> Iterator[Change]:
    """The element `path` carries these extensions, the `required` ones at least once; others are let pass."""
    yield f"{path}.extension", {"slicing": BY_URL}
    for each in (*required, *extensions):
        found: Json = {"short": each.title, "max": each.most}
        if each in required:
            found["min"] = 1
        yield f"{path}.extension:{each.name}", {**found, "type": [{"code": "Extension", "profile": [each.url]}]}
        # Said again here: not every validator follows the type's profile to the address that tells slices apart.
        yield f"{path}.extension:{each.name}.url", {"fixedUri": each.url}


def person(path: str, short: str) -> Change:
    """The element `path` points at a patient."""
    return path, {"short": short, "min": 1, "type": [{"code": "Reference", "targetProfile": [f"{CORE}/Patient"]}]}
