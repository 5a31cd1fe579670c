"""One extension of ours, as it is declared: where it stands, what it holds, and what that means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.fhir.canonical import value_set
from service.fhir.snapshot import Change, structure_definition
from service.fhir.text import Json


@dataclass(frozen=True, slots=True)
class Part:
    """One named value inside an extension that holds several."""

    name: str
    title: str
    type: str
    bound: str = ""
    least: int = 0

    @property
    def value(self) -> Json:
        """What the profile says of its value."""
        return _value(self.title, self.type, self.bound, "")


@dataclass(frozen=True, slots=True)
class Extension:
    """One extension. `context` names the elements it stands on, separated by spaces; `most` how often, `1` or `*`.

    It holds either a value of the datatype `type` or `parts`. `bound` is the short name of the value set that a code
    must come from, `target` the type a Reference points at.
    """

    url: str
    title: str
    description: str
    context: str
    type: str = ""
    bound: str = ""
    target: str = ""
    most: str = "1"
    parts: tuple[Part, ...] = ()

    @property
    def name(self) -> str:
        """The last part of its address."""
        return self.url.rpartition("/")[2]

    def structure(self) -> Json:
        """Its StructureDefinition."""
        context = [{"type": "element", "expression": each} for each in self.context.split()]
        return structure_definition(
            self.url, self.title, self.description, "Extension", self._changes(), context=context
        )

    def _changes(self) -> Iterator[Change]:
        yield "Extension", {"short": self.title, "definition": self.description}
        if self.parts:
            by_url = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "closed"}
            yield "Extension.extension", {"slicing": by_url, "min": sum(part.least for part in self.parts)}
            for part in self.parts:
                yield from _part(part)
        else:
            yield "Extension.extension", {"max": "0"}
        yield "Extension.url", {"fixedUri": self.url}
        value = {"max": "0"} if self.parts else _value(self.title, self.type, self.bound, self.target)
        yield "Extension.value[x]", value


def _part(part: Part) -> Iterator[Change]:
    path = f"Extension.extension:{part.name}"
    yield path, {"short": part.title, "max": "1", **({"min": part.least} if part.least else {})}
    yield f"{path}.extension", {"max": "0"}
    yield f"{path}.url", {"fixedUri": part.name}
    yield f"{path}.value[x]", part.value


def _value(title: str, datatype: str, bound: str, target: str) -> Json:
    narrowed: Json = {"short": title, "min": 1, "type": [{"code": datatype}]}
    if target:
        pointed = f"http://hl7.org/fhir/StructureDefinition/{target}"
        narrowed["type"] = [{"code": datatype, "targetProfile": [pointed]}]
    if bound:
        narrowed["binding"] = {"strength": "required", "valueSet": value_set(bound)}
    return narrowed
