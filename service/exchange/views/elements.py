"""Which elements a path names: refuses one that its type does not have, as far as the type can be told beforehand."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce

from service.errors import Invalid
from service.fhir.definitions import described_types, elements, resource_types
from service.fhir.text import Json

Refuse = Callable[[str], Invalid]
_SAME = frozenset({"where", "first", "last", "tail", "single", "skip", "take", "distinct", "trace"})
"""Functions that find some of what they are given."""
_THROUGH = frozenset({"TermExpression", "InvocationTerm", "ParenthesizedTerm", "IndexerExpression"})
_EVERYWHERE = frozenset({"id", "extension", "resourceType", "modifierExtension"})


def finds(tree: Json, base: str, refuse: Refuse) -> str:
    """The path whose children the expression's results have ("" if it cannot be told).

    `base` is such a path too: `Patient`, `Patient.contact`, `HumanName`. Raises what `refuse` makes of the reason.
    """
    kind, children = tree["type"], tree.get("children") or []
    if kind == "InvocationExpression":
        return reduce(lambda path, child: finds(child, path, refuse), children, base)
    if kind in _THROUGH:
        return finds(children[0], base, refuse)
    if kind == "MemberInvocation":
        return _member(str(children[0]["text"]).replace("`", ""), base, refuse)
    if kind == "FunctionInvocation":
        return _call(children[0], base, refuse)
    for child in children:
        finds(child, base, refuse)
    return ""  # an operator, a literal, or `$this` of an expression within another


def _call(call: Json, base: str, refuse: Refuse) -> str:
    name, *parameters = call["children"]
    given = parameters[0]["children"] if parameters else []
    if name["text"] == "ofType":
        wanted = str(given[0].get("text", "")).replace("`", "").rpartition(".")[2]
        return wanted if wanted in described_types() else ""
    if name["text"] in ("where", "exists", "all", "select", "repeat") and given:
        found = finds(given[0], base, refuse)
        return found if name["text"] == "select" else base if name["text"] == "where" else ""
    if name["text"] == "extension":
        return "Extension"
    return base if name["text"] in _SAME else ""


def _member(name: str, base: str, refuse: Refuse) -> str:
    root = base.partition(".")[0]
    if root not in described_types():
        return ""
    if name in resource_types() or name in _EVERYWHERE:
        return name if name == base else "Extension" if name == "extension" else ""
    known = elements(root)
    element = known.get(f"{base}.{name}") or known.get(f"{base}.{name}[x]")
    if element is None and not any(path.startswith(f"{base}.") for path in known):
        return ""  # the standard describes the children of this type under another name
    if element is None:
        raise refuse(f"{base} has no element '{name}'")
    if element.same_as:
        return element.same_as
    if any(path.startswith(f"{element.path}.") for path in known):
        return element.path
    return element.types[0] if len(element.types) == 1 and element.types[0] in described_types() else ""
