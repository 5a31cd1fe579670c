"""FHIRPath Patch (https://hl7.org/fhir/R4/fhirpatch.html) on a resource: all operations of a patch, or none.

The patch is a Parameters resource; each parameter `operation` has parts that say what is done, and where.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from service.fhir.element_paths import At, Place, located, root_of, steps, wrong
from service.fhir.text import Json
from service.fhir.walk import shown

_MOST_OPERATIONS = 500
_TYPES = ("add", "insert", "delete", "replace", "move")
_PLAIN = {"type": "valueCode", "path": "valueString", "name": "valueString", "index": "valueInteger",
          "source": "valueInteger", "destination": "valueInteger"}  # fmt: skip
"""The parts that hold one plain value, and the key it stands under; texts may stand under any key of text."""
_MISSING = object()


@dataclass(frozen=True, slots=True)
class Step:
    """One operation: its type, its path, its other parts by name, and where in the patch it stands."""

    type: str
    path: str
    parts: Json
    where: str

    def number(self, name: str) -> int:
        """A whole number among the parts. Raises `Invalid`."""
        found = self.parts.get(name, _MISSING)
        if not isinstance(found, int) or isinstance(found, bool) or found < 0:
            stated = "" if found is _MISSING else shown(found)
            raise wrong(f"The operation '{self.type}' needs its '{name}'.", self.where, stated, "a whole number from 0")
        return found

    @property
    def value(self) -> Json:
        """The part that holds the value. Raises `Invalid`."""
        found = self.parts.get("value")
        if not isinstance(found, dict):
            raise wrong(f"The operation '{self.type}' needs its 'value'.", self.where, "")
        return found


def parse(parameters: Json) -> list[Step]:
    """The operations of a patch. Raises `Invalid` for what is none."""
    listed = parameters.get("parameter", [])
    if parameters.get("resourceType") != "Parameters" or not isinstance(listed, list) or len(listed) > _MOST_OPERATIONS:
        message = "A FHIRPath Patch is a Parameters resource in which each parameter is an operation."
        expected = f"Parameters with at most {_MOST_OPERATIONS} of: type, path, and name, value, index or the like"
        raise wrong(message, "resourceType", shown(parameters.get("resourceType", "none")), expected)
    return [_step(each, f"Parameters.parameter[{place}]") for place, each in enumerate(listed)]


def _step(parameter: Any, where: str) -> Step:
    parts = parameter.get("part") if isinstance(parameter, dict) and parameter.get("name") == "operation" else None
    if not isinstance(parts, list) or not all(isinstance(each, dict) for each in parts):
        raise wrong("Each parameter of a patch is an operation with its parts.", where, shown(parameter), "operation")
    found: Json = {}
    for part in parts:
        name = str(part.get("name"))
        if name not in (*_PLAIN, "value") or name in found:
            raise wrong("An operation has each of its parts once.", where, shown(part.get("name")), ", ".join(_PLAIN))
        found[name] = part if name == "value" else next((v for k, v in part.items() if k.startswith("value")), None)
    kind, path = found.pop("type", None), found.pop("path", None)
    if kind not in _TYPES:
        raise wrong("This is no operation of a FHIRPath Patch.", where, shown(kind or "none"), ", ".join(_TYPES))
    if not isinstance(path, str):
        raise wrong("The operation lacks its 'path'.", where, kind)
    return Step(kind, path, found, where)


def apply(resource: Json, operations: Iterable[Step]) -> Json:
    """A patched copy. Raises `Invalid` where a path leads nowhere, or to several elements."""
    whole = copy.deepcopy(resource)
    for step in operations:
        _OPERATIONS[step.type](whole, step)
    return whole


def _one(whole: Json, step: Step, path: str) -> Place:
    found = [root_of(whole)] if not path else located(whole, path, step.where)
    if len(found) != 1:
        message = "There is nothing at this path." if not found else "The path leads to several elements."
        raise wrong(message, step.where, step.path)
    return found[0]


def _target(whole: Json, step: Step, path: str, name: str) -> tuple[Json, At, bool, dict[str, str]]:
    """The owner of an element of that name below a path; where it is defined, whether it repeats, and its keys."""
    place = _one(whole, step, path)
    found = place.at.child(name) if isinstance(place.value, dict) else None
    if found is None:
        raise wrong(f"There is no element '{name}' at this path.", step.where, path or str(whole["resourceType"]))
    element, keys = found
    return place.value, place.at.below(element, next(iter(keys.values()))), element.most != 1, keys


def _add(whole: Json, step: Step) -> None:
    name = step.parts.get("name")
    if not isinstance(name, str):
        raise wrong("The operation 'add' needs the 'name' of what is added.", step.where, shown(name))
    owner, at, repeats, keys = _target(whole, step, step.path, name)
    key, value = _stated(step, keys, at)
    if repeats:
        owner.setdefault(key, []).append(value)
        _beside(owner, key, lambda extensions: extensions.append(None))
    elif any(each in owner for each in keys):
        raise wrong("There is such an element already, and there can be one only.", step.where, step.path, "replace")
    else:
        owner[key] = value


def _insert(whole: Json, step: Step) -> None:
    owner, at, key = _list(whole, step)
    index, held = step.number("index"), owner.get(key, [])
    if index > len(held):
        raise wrong("The index lies behind the end of the list.", step.where, str(index), f"0 to {len(held)}")
    _, value = _stated(step, {key: ""}, at)
    owner.setdefault(key, []).insert(index, value)
    _beside(owner, key, lambda extensions: extensions.insert(index, None))


def _move(whole: Json, step: Step) -> None:
    owner, _, key = _list(whole, step)
    source, target, held = step.number("source"), step.number("destination"), owner.get(key, [])
    if max(source, target) >= len(held):
        raise wrong("There is no such place in the list.", step.where, f"{source} to {target}", f"below {len(held)}")
    for each in (held, owner.get(f"_{key}")):
        if isinstance(each, list):
            each.insert(target, each.pop(source))


def _list(whole: Json, step: Step) -> tuple[Json, At, str]:
    """The list that a path names: its owner and its key there."""
    name, argument, index = steps(step.path, step.where)[-1]
    above = step.path.rpartition(".")[0]
    if argument is not None or index is not None or not above:
        raise wrong("The path does not end in the name of a list.", step.where, step.path, "such as Patient.name")
    owner, at, repeats, keys = _target(whole, step, above, name)
    if not repeats:
        raise wrong("There can be one such element only, and no list.", step.where, step.path)
    return owner, at, next(iter(keys))


def _delete(whole: Json, step: Step) -> None:
    found = located(whole, step.path, step.where)
    if len(found) > 1:
        raise wrong("Several elements stand at this path, and one can be deleted.", step.where, step.path)
    if not found:  # as the standard says, what is not there need not be deleted
        return
    place = found[0]
    if place.key == "":
        raise wrong("The whole resource cannot be deleted by a patch.", step.where, step.path)
    if place.index is None:
        del place.owner[place.key]
        place.owner.pop(f"_{place.key}", None)
    else:
        index = place.index
        place.owner[place.key].pop(index)
        _beside(place.owner, place.key, lambda extensions: extensions.pop(index))
    _prune(whole)


def _replace(whole: Json, step: Step) -> None:
    place = _one(whole, step, step.path)
    if place.key == "":
        raise wrong("The whole resource cannot be replaced by a patch.", step.where, step.path)
    key, value = _stated(step, {place.key: place.kind}, place.at)
    if place.index is None:
        if place.stem and _kind(step):
            del place.owner[place.key]
            key = place.stem + _kind(step)
        place.owner[key] = value
    else:
        place.owner[place.key][place.index] = value


def _kind(step: Step) -> str:
    """The type that a value is stated in, as its key ends."""
    return next((key.removeprefix("value") for key in step.value if key.startswith("value")), "")


def _stated(step: Step, keys: dict[str, str], at: At) -> tuple[str, Any]:
    """The key under which a value belongs, and the value; of parts, an element is made that has no type of its own."""
    value, found = _value(step.value, at, step.where), next(iter(keys))
    kind = _kind(step)
    if len(keys) > 1:
        found = next((key for key in keys if kind and key.endswith(kind)), "")
        if not found:
            raise wrong("The element cannot have a value of this type.", step.where, kind, ", ".join(keys.values()))
    return found, value


def _value(part: Json, at: At, where: str) -> Any:
    values = [value for key, value in part.items() if key.startswith("value") or key == "resource"]
    if len(values) == 1 and "part" not in part:
        return copy.deepcopy(values[0])
    if values or not isinstance(part.get("part"), list):
        raise wrong("A value stands alone, or consists of parts.", where, shown(part))
    made: Json = {}
    for each in part["part"]:
        name = str(each.get("name")) if isinstance(each, dict) else ""
        child = at.child(name)
        if child is None:
            raise wrong(f"The element that is made here has no '{name}'.", where, name)
        element, keys = child
        kind = next((key.removeprefix("value") for key in each if key.startswith("value")), "")
        key = next((key for key in keys if len(keys) == 1 or (kind and key.endswith(kind))), name)
        inner = _value(each, at.below(element, keys.get(key, "")), where)
        if element.most == 1:
            made[key] = inner
        else:
            made.setdefault(key, []).append(inner)
    return made


def _beside(owner: Json, key: str, change: Callable[[list[Any]], Any]) -> None:
    """Keep the extensions of a list of primitives beside what they belong to."""
    extensions = owner.get(f"_{key}")
    if isinstance(extensions, list):
        change(extensions)


def _prune(value: Any) -> None:
    """Take away what is left empty: FHIR has no empty element."""
    if isinstance(value, dict):
        for key in list(value):
            _prune(value[key])
            if value[key] in ({}, []):
                del value[key]
    elif isinstance(value, list):
        for each in value:
            _prune(each)
        value[:] = [each for each in value if each not in ({}, [])]


_OPERATIONS: dict[str, Callable[[Json, Step], None]] = {
    "add": _add, "insert": _insert, "delete": _delete, "replace": _replace, "move": _move,
}  # fmt: skip
