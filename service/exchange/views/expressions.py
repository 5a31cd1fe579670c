"""FHIRPath as the views use it, over fhirpathpy: the only module that knows that library.

What the library leaves to run time is checked when an expression is compiled: its syntax to the end, its functions
and how many arguments they take, its constants, and the elements that a plain path names. What SQL on FHIR adds is
added here: keys of resources and references, boundaries, and `join` of nothing; and what the library does otherwise
is mended: a path that names its type first, `extension` of which there are several, `single` of several.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from types import TracebackType
from typing import Any

from service.errors import Invalid, Issue, Misconfigured

try:
    from antlr4 import CommonTokenStream, InputStream, ParseTreeWalker
    from antlr4.error.ErrorListener import ErrorListener
    from fhirpathpy.engine import do_eval
    from fhirpathpy.engine.invocations import invocation_registry
    from fhirpathpy.engine.invocations.constants import constants as moment
    from fhirpathpy.engine.nodes import FP_Quantity, FP_TimeBase, ResourceNode, TypeInfo
    from fhirpathpy.models import models
    from fhirpathpy.parser.ASTPathListener import ASTPathListener
    from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
    from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser
except ModuleNotFoundError as missing:
    raise Misconfigured("Views need the extra 'research': pip install 'hand-therapy-record[research]'.") from missing

from service.exchange.views.boundaries import high_boundary, low_boundary
from service.exchange.views.elements import finds
from service.fhir.text import Json

_MODEL: Mapping[str, Any] = models["r4"]
TypeInfo.model = _MODEL
ENVIRONMENT = frozenset({"context", "resource", "rootResource", "ucum", "rowIndex"})
"""Constants that every expression knows."""

Node = Any
"""A place in a resource that keeps its FHIR type."""


def _key(_ctx: Json, found: Sequence[Any]) -> list[str]:
    """The key of a resource: its id."""
    ids = (_raw(node).get("id") for node in found if isinstance(_raw(node), dict))
    return [ident for ident in ids if ident]


def _reference_key(_ctx: Json, found: Sequence[Any], wanted: Any = None) -> list[str]:
    """The key of the resource a reference points at, if it is of the wanted type."""
    return [key for node in found for key in _keys_of(_raw(node), wanted.name if wanted else "")]


def _keys_of(reference: Any, wanted: str) -> Iterator[str]:
    text = reference.get("reference") if isinstance(reference, dict) else None
    parts = text.partition("/_history/")[0].split("/") if isinstance(text, str) else []
    if len(parts) >= 2 and wanted in ("", parts[-2]):
        yield parts[-1]


def _join(_ctx: Json, found: Sequence[Any], separator: str = "") -> str:
    """Texts joined. Of nothing it is an empty text: so the tests of SQL on FHIR say, though FHIRPath says nothing."""
    return (separator or "").join(str(_raw(node)) for node in found)


def _single(_ctx: Json, found: Sequence[Any]) -> list[Any]:
    """The one thing that was found, where the library hands on an error as if it were data."""
    if len(found) > 1:
        raise ValueError(f"single() is of one thing, and there are {len(found)}")
    return list(found)


def _trace(_ctx: Json, found: Sequence[Any], *_name: Any) -> list[Any]:
    """What was found, told to nobody: the library prints it."""
    return list(found)


def _has_value(_ctx: Json, found: Sequence[Any]) -> bool:
    """Whether there is one primitive, with a value and not with extensions alone."""
    return len(found) == 1 and _raw(found[0]) is not None and not isinstance(_raw(found[0]), dict | list)


def _extension(_ctx: Json, found: Sequence[Any], url: str) -> list[Any]:
    """Every extension of an address, where the library finds only the first of an element."""
    elements = (_raw(node) for node in found)
    given = [each for element in elements if isinstance(element, dict) for each in element.get("extension") or ()]
    return [ResourceNode.create_node(each, "Extension") for each in given if each.get("url") == url]


_FUNCTIONS: dict[str, dict[str, Any]] = {
    "getResourceKey": {"fn": _key},
    "getReferenceKey": {"fn": _reference_key, "arity": {0: [], 1: ["TypeSpecifier"]}},
    "extension": {"fn": _extension, "arity": {1: ["String"]}},
    "single": {"fn": _single},
    "trace": {"fn": _trace, "arity": {1: ["String"], 2: ["String", "Expr"]}},
    "hasValue": {"fn": _has_value},
    "join": {"fn": _join, "arity": {0: [], 1: ["String"]}},
    "lowBoundary": {"fn": low_boundary, "arity": {0: [], 1: ["Integer"]}},
    "highBoundary": {"fn": high_boundary, "arity": {0: [], 1: ["Integer"]}},
}
_KNOWN: Mapping[str, Mapping[str, Any]] = {**invocation_registry, **_FUNCTIONS}


def _raw(node: Any) -> Any:
    return node.data if isinstance(node, ResourceNode) else node


class _Root(ResourceNode):  # type: ignore[misc] # the library's types are not read
    """A resource, which a path may begin by naming its type: the library asks that of plain objects only."""

    def __getitem__(self, name: str) -> Any:
        return self.data[name]


def node_of(resource: Json) -> Node:
    """The root of a resource."""
    return _Root(resource, resource["resourceType"])


def begin() -> None:
    """Let `now()` and `today()` be told anew, once for a run."""
    moment.reset()


@dataclass(frozen=True, slots=True)
class Expression:
    """A compiled expression: its text, its place in the definition, and the type of what it finds ("" if unknown)."""

    text: str
    place: str
    finds: str
    tree: Json

    def nodes(self, node: Node, environment: Mapping[str, object]) -> list[Node]:
        """What it finds at a place, each with its type. Raises `Invalid` where it cannot be evaluated."""
        context = {
            "dataRoot": [node],
            "$this": [node],
            "vars": environment,
            "model": _MODEL,
            "userInvocationTable": _FUNCTIONS,
        }
        with _Refusal(self):
            return [one for one in do_eval(context, [node], self.tree) if not _is_extension_only(one)]
        raise AssertionError

    def values(self, node: Node, environment: Mapping[str, object]) -> list[Any]:
        """What it finds at a place, as plain values of JSON."""
        return [_plain(one) for one in self.nodes(node, environment)]


class _Refusal:
    """Says where an expression failed. The library raises bare `Exception`s: those, and what Python itself raises."""

    _FAILURES = (ValueError, TypeError, LookupError, ArithmeticError, AttributeError, NotImplementedError)

    def __init__(self, expression: Expression) -> None:
        self._expression = expression

    def __enter__(self) -> None:
        return None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _where: TracebackType | None
    ) -> None:
        if kind is Exception or (kind is not None and issubclass(kind, self._FAILURES)):
            raise _refused(self._expression.text, self._expression.place, str(error)) from error


def _refused(text: str, place: str, why: str, expected: str = "a FHIRPath expression that fits the data") -> Invalid:
    said = why.rstrip(".").splitlines()[0] if why else "no reason given"
    return Invalid(Issue("invalid", f"The expression cannot be used: {said}.", place, text, "fhirpath", expected))


def _is_extension_only(node: Any) -> bool:
    """Whether a node is only the extensions of a primitive, which the library finds beside its value."""
    data = _raw(node)
    return isinstance(data, dict) and bool(data) and data.keys() <= {"extension", "id"} and not _is_element(node)


def _is_element(node: Any) -> bool:
    return not isinstance(node, ResourceNode) or str(node.path or "")[:1].isupper()


def _plain(node: Any) -> Any:
    value = _raw(node)
    return str(value) if isinstance(value, FP_TimeBase | FP_Quantity) else value


@cache
def compiled(text: str, place: str, base: str, constants: frozenset[str]) -> Expression:
    """An expression, checked for elements of type `base` ("" if unknown). Raises `Invalid`, naming the place."""
    tree = _parsed(text, place)
    for name in _constants_in(tree):
        if name not in ENVIRONMENT | constants:
            raise _refused(text, place, f"there is no constant %{name}", "a constant of this view")
    for name, count in _calls_in(tree):
        if name not in _KNOWN:
            raise _refused(text, place, f"there is no function {name}()", "a function of FHIRPath")
        entry = _KNOWN[name]
        if "variadic" not in entry and count not in (entry.get("arity") or {0: []}):
            raise _refused(text, place, f"{name}() does not take {count} arguments", "as many as the function takes")
    return Expression(text, place, finds(tree, base, lambda why: _refused(text, place, why, "an element of R4")), tree)


class _Listener(ErrorListener):  # type: ignore[misc] # the library's types are not read
    """Refuses what the parser would otherwise mend in silence."""

    def __init__(self, text: str, place: str) -> None:
        self._text, self._place = text, place

    def syntaxError(self, _who: Any, _symbol: Any, _line: int, column: int, message: str, _error: Any) -> None:  # noqa: N802 - the library's name and arguments
        raise _refused(self._text, self._place, f"at character {column + 1}, {message}", "a FHIRPath expression")


def _parsed(text: str, place: str) -> Json:
    listener, tree = _Listener(text, place), ASTPathListener()
    lexer = FHIRPathLexer(InputStream(text))
    parser = FHIRPathParser(CommonTokenStream(lexer))
    for each in (lexer, parser):
        each.removeErrorListeners()
        each.addErrorListener(listener)
    ParseTreeWalker().walk(tree, parser.entireExpression())
    found: Json = tree.parentStack[0]["children"][0]["children"][0]
    return found


def _all(node: Json) -> Iterator[Json]:
    yield node
    for child in node.get("children") or ():
        yield from _all(child)


def _constants_in(tree: Json) -> Iterator[str]:
    for node in _all(tree):
        if node["type"] == "ExternalConstant":
            yield str(node["children"][0]["text"]).replace("`", "") if node.get("children") else ""


def _calls_in(tree: Json) -> Iterator[tuple[str, int]]:
    for node in _all(tree):
        if node["type"] == "Functn":
            name, *parameters = node["children"]
            yield str(name["text"]).replace("`", ""), len(parameters[0]["children"]) if parameters else 0
