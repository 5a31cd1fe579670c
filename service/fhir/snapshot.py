"""A profile as changes to a base definition: made into both its differential and its snapshot."""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from typing import Any

from service.fhir.definitions import base_definition
from service.fhir.published import definition
from service.fhir.text import Json

Change = tuple[str, dict[str, Any]]
"""An element's id (`Observation.component:trial.value[x]`) and what is narrowed there."""

LEFT_OUT = frozenset({"mapping", "comment", "requirements", "alias", "xpath"})
"""What the base says of each element and rule for other standards, other readers and other formats than JSON."""


def structure_definition(
    url: str, title: str, description: str, base: str, changes: Iterable[Change], **more: Any
) -> Json:
    """The StructureDefinition at `url` of a profile on the core type `base`; `more` are further elements of it."""
    source = base_definition(base)
    elements, differential = derive(source, changes)
    return definition(
        "StructureDefinition", url.rpartition("/")[2], title, description, fhirVersion="4.0.1", kind=source["kind"],
        abstract=False, **more, type=base, baseDefinition=source["url"], derivation="constraint",
        snapshot={"element": elements}, differential={"element": differential},
    )  # fmt: skip


def derive(base: Json, changes: Iterable[Change]) -> tuple[list[Json], list[Json]]:
    """The elements of the snapshot and of the differential of a profile on `base`.

    A change to an id that ends in a slice name unknown so far opens that slice: it starts as a copy of the sliced
    element with all below it. A change below a slice of extensions opens the extension. Invariants are added to those
    of the base; everything else replaces what was there.
    """
    elements = [_kept(element) for element in base["snapshot"]["element"]]
    differential: dict[str, Json] = {}
    for ident, narrowed in changes:
        if not any(element["id"] == ident for element in elements):
            _open(elements, ident)
        element = next(element for element in elements if element["id"] == ident)
        _narrow(element, narrowed)
        stated = differential.setdefault(ident, _start(element))
        _narrow(stated, narrowed)
    order = {element["id"]: place for place, element in enumerate(elements)}
    return elements, sorted(differential.values(), key=lambda element: order[element["id"]])


def _kept(value: Any) -> Any:
    """A copy without what is left out."""
    if isinstance(value, dict):
        return {key: _kept(inner) for key, inner in value.items() if key not in LEFT_OUT}
    return [_kept(inner) for inner in value] if isinstance(value, list) else value


def _start(element: Json) -> Json:
    return {key: element[key] for key in ("id", "path", "sliceName") if key in element}


def _narrow(element: Json, narrowed: dict[str, Any]) -> None:
    for key, value in narrowed.items():
        element[key] = [*element.get(key, ()), *value] if key == "constraint" else value


def _open(elements: list[Json], ident: str) -> None:
    above = ident.rpartition(".")[0]
    place = next((place for place, element in enumerate(elements) if element["id"] == above), None)
    if place is None or [t["code"] for t in elements[place].get("type", ())] != ["Extension"]:
        return _open_slice(elements, ident)
    path, name = elements[place]["path"], len("Extension")
    inside = base_definition("Extension")["snapshot"]["element"][1:]
    elements[place + 1 : place + 1] = [
        {**_kept(each), "id": above + each["id"][name:], "path": path + each["path"][name:]} for each in inside
    ]
    return None


def _open_slice(elements: list[Json], ident: str) -> None:
    sliced, _, name = ident.rpartition(":")
    inside = [element for element in elements if _is_at_or_below(element["id"], sliced)]
    if not sliced or "." in name or not inside:
        raise ValueError(f"there is no element {ident} to change and none to slice")
    last = max(place for place, element in enumerate(elements) if _is_slice_of(element["id"], sliced))
    copies = [{**deepcopy(element), "id": ident + element["id"].removeprefix(sliced)} for element in inside]
    head = copies[0]
    head.pop("slicing", None)
    head |= {"sliceName": name, "min": 0}
    elements[last + 1 : last + 1] = copies


def _is_at_or_below(ident: str, sliced: str) -> bool:
    return ident == sliced or ident.startswith(f"{sliced}.")


def _is_slice_of(ident: str, sliced: str) -> bool:
    return _is_at_or_below(ident, sliced) or ident.startswith(f"{sliced}:")
