"""A ViewDefinition, read and checked: what it selects, from which resources, under which names.

Everything that can be told without data is told here, with the place in the definition where it stands: what lacks,
what is misspelt, an expression that cannot be read or names an element, a function or a constant that does not exist.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from service.errors import Invalid, Issue
from service.exchange.views.expressions import ENVIRONMENT, Expression, compiled
from service.fhir.definitions import resource_types
from service.fhir.text import Json

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_SELECT = {"column", "select", "forEach", "forEachOrNull", "repeat", "unionAll"}
_COLUMN = {"name", "path", "type", "collection", "description", "tag"}
_ALWAYS = {"id", "extension", "modifierExtension"}
_CONSTANTS = {
    "valueBase64Binary", "valueBoolean", "valueCanonical", "valueCode", "valueDate", "valueDateTime", "valueDecimal",
    "valueId", "valueInstant", "valueInteger", "valueInteger64", "valueOid", "valuePositiveInt", "valueString",
    "valueTime", "valueUnsignedInt", "valueUri", "valueUrl", "valueUuid",
}  # fmt: skip
_DEEPEST = 20
_Read = TypeVar("_Read")


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, the path to its value, its FHIR type (empty where none is said), whether it is a list."""

    name: str
    path: Expression
    type: str = ""
    collection: bool = False
    description: str = ""


@dataclass(frozen=True, slots=True)
class Select:
    """Columns and nested selects, once for the resource or once for each of what `each` or `repeat` finds.

    `or_null` keeps a row of nulls where `each` finds nothing.
    """

    columns: tuple[Column, ...]
    selects: tuple[Select, ...]
    unions: tuple[Select, ...]
    each: Expression | None = None
    or_null: bool = False
    repeat: tuple[Expression, ...] = ()

    @property
    def all_columns(self) -> tuple[Column, ...]:
        """Every column it gives, in order; those of a union once."""
        nested = [column for select in self.selects for column in select.all_columns]
        return (*self.columns, *nested, *(self.unions[0].all_columns if self.unions else ()))


@dataclass(frozen=True, slots=True)
class View:
    """A checked ViewDefinition: the type of resource, the filters, the selects, and the values of its constants."""

    name: str
    resource: str
    selects: tuple[Select, ...]
    where: tuple[Expression, ...]
    constants: Mapping[str, object]

    @property
    def columns(self) -> tuple[Column, ...]:
        """Every column of a row, in order."""
        return tuple(column for select in self.selects for column in select.all_columns)


def read_view(definition: Json) -> View:
    """The view a ViewDefinition describes. Raises `Invalid` with the place of everything that is wrong."""
    return _Reader(definition).view()


class _Reader:
    """One definition, read once."""

    def __init__(self, definition: Json) -> None:
        self.definition = definition
        self.constants: dict[str, object] = {}
        self.issues: list[Issue] = []

    def view(self) -> View:
        place = "ViewDefinition"
        resource = self.definition.get("resource")
        if not isinstance(resource, str) or resource not in resource_types():
            self._wrong(f"{place}.resource", "A view is over one type of resource.", resource, "a resource type of R4")
            raise Invalid(*self.issues)
        self._read_constants()
        selects = self._each(self.definition, "select", place, lambda json, at: self._select(json, at, resource, 0))
        where = self._each(self.definition, "where", place, lambda json, at: self._path(json, at, "path", resource))
        if not selects and not self.issues:
            self._wrong(f"{place}.select", "A view selects at least one thing.", None, "a list of selects")
        if self.issues:
            raise Invalid(*self.issues)
        view = View(str(self.definition.get("name") or "view"), resource, tuple(selects), _found(where), self.constants)
        self._require_unlike(view.columns)
        return view

    def _require_unlike(self, columns: tuple[Column, ...]) -> None:
        names = [column.name for column in columns]
        for name in sorted({name for name in names if names.count(name) > 1}):
            self._wrong("ViewDefinition.select", "Two columns have the same name.", name, "names that differ")
        if self.issues:
            raise Invalid(*self.issues)

    def _wrong(self, place: str, message: str, value: object, expected: str) -> None:
        shown = "" if value is None else str(value)[:100]
        self.issues.append(Issue("invalid", message, place, shown, "view-definition", expected))

    def _each(self, json: Json, name: str, place: str, read: Callable[[Json, str], _Read]) -> list[_Read]:
        """Every object of a list, read; none where the list is absent."""
        given = json.get(name, [])
        if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
            self._wrong(f"{place}.{name}", "This is a list of objects.", given, "a list of objects")
            return []
        return [read(one, f"{place}.{name}[{index}]") for index, one in enumerate(given)]

    def _known(self, json: Json, place: str, known: Iterable[str]) -> None:
        for key in json.keys() - set(known) - _ALWAYS:
            self._wrong(f"{place}.{key}", "A view has no such element here.", key, ", ".join(sorted(known)))

    def _read_constants(self) -> None:
        self._each(self.definition, "constant", "ViewDefinition", self._constant)

    def _constant(self, json: Json, place: str) -> None:
        self._known(json, place, {"name", *_CONSTANTS})
        name, values = json.get("name"), [key for key in json if key in _CONSTANTS]
        if not isinstance(name, str) or not _NAME.fullmatch(name) or name in ENVIRONMENT:
            self._wrong(f"{place}.name", "A constant has a name of its own.", name, "letters, digits and _")
        elif len(values) != 1:
            self._wrong(place, "A constant has one value.", ", ".join(values) or None, "one of value[x]")
        else:
            self.constants[name] = json[values[0]]

    def _path(self, json: Json, place: str, name: str, base: str) -> Expression | None:
        given = json.get(name)
        if not isinstance(given, str) or not given.strip():
            self._wrong(f"{place}.{name}", "This is a FHIRPath expression.", given, "a FHIRPath expression")
            return None
        try:
            return compiled(given, f"{place}.{name}", base, frozenset(self.constants))
        except Invalid as error:
            self.issues += error.issues
            return None

    def _select(self, json: Json, place: str, base: str, depth: int) -> Select:
        self._known(json, place, _SELECT)
        each, repeat = self._iteration(json, place, base)
        within = each.finds if each else "" if repeat else base
        if depth > _DEEPEST:
            self._wrong(place, "Selects are nested too deeply.", None, f"at most {_DEEPEST} levels")
            return Select((), (), ())

        def nested(one: Json, at: str) -> Select:
            return self._select(one, at, within, depth + 1)

        columns = _found(self._each(json, "column", place, lambda one, at: self._column(one, at, within)))
        selects = tuple(self._each(json, "select", place, nested))
        unions = tuple(self._each(json, "unionAll", place, nested))
        if not (columns or selects or unions or self.issues):
            self._wrong(place, "A select gives at least one column.", None, "column, select or unionAll")
        self._require_alike(unions, place)
        return Select(columns, selects, unions, each, "forEachOrNull" in json, repeat)

    def _iteration(self, json: Json, place: str, base: str) -> tuple[Expression | None, tuple[Expression, ...]]:
        """What a select runs over: what `forEach` or `forEachOrNull` finds, or the paths that `repeat` follows."""
        given = [name for name in ("forEach", "forEachOrNull", "repeat") if name in json]
        if len(given) > 1:
            self._wrong(place, "A select runs over one thing.", ", ".join(given), "one of " + ", ".join(given))
        if "repeat" not in given:
            return (self._path(json, place, given[0], base) if given else None), ()
        paths = json["repeat"]
        if not isinstance(paths, list) or not paths:
            self._wrong(f"{place}.repeat", "This is a list of FHIRPath expressions.", paths, "a list of expressions")
            return None, ()
        numbered = {f"repeat[{index}]": path for index, path in enumerate(paths)}
        return None, _found(self._path(numbered, place, name, "") for name in numbered)

    def _require_alike(self, unions: tuple[Select, ...], place: str) -> None:
        names = [[column.name for column in union.all_columns] for union in unions]
        for index, each in enumerate(names):
            if each != names[0]:
                at, expected = f"{place}.unionAll[{index}]", ", ".join(names[0])
                self._wrong(
                    at, "All parts of a union have the same columns in the same order.", ", ".join(each), expected
                )

    def _column(self, json: Json, place: str, base: str) -> Column | None:
        self._known(json, place, _COLUMN)
        name, collection = json.get("name"), json.get("collection", False)
        if not isinstance(name, str) or not _NAME.fullmatch(name):
            self._wrong(f"{place}.name", "A column has a name.", name, "a letter, then letters, digits and _")
        if not isinstance(collection, bool):
            self._wrong(f"{place}.collection", "A column is a collection or not.", collection, "true or false")
        path = self._path(json, place, "path", base)
        told = {key: json.get(key) or "" for key in ("type", "description")}
        for key, text in told.items():
            if not isinstance(text, str):
                self._wrong(f"{place}.{key}", "This is a text.", text, "a text")
        return Column(str(name), path, str(told["type"]), bool(collection), str(told["description"])) if path else None


def _found(given: Iterable[Any | None]) -> tuple[Any, ...]:
    return tuple(_present(given))


def _present(given: Iterable[Any | None]) -> Iterator[Any]:
    yield from (one for one in given if one is not None)
