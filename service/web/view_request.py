"""The request of `$viewdefinition-run`: a Parameters resource, with what the query says besides."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.errors import Issue, Malformed, NotSupported
from service.exchange.views.shipped import find_table
from service.exchange.views.table import Table
from service.fhir.text import Json
from service.web.fhir.requests import Pairs

_VALUES: Mapping[str, tuple[str, ...]] = {
    "viewReference": ("valueReference", "valueCanonical", "valueUri", "valueString"),
    "_format": ("valueCode", "valueString"),
    "header": ("valueBoolean",),
    "patient": ("valueReference", "valueId", "valueString"),
    "group": ("valueReference", "valueId", "valueString"),
    "_since": ("valueInstant", "valueDateTime", "valueString"),
    "_limit": ("valueInteger", "valuePositiveInt", "valueUnsignedInt"),
}
_RESOURCES = ("viewResource", "resource")
_SEVERAL = ("patient", "group", "resource")
_IN_QUERY = ("_format", "header", "patient", "group", "_since", "_limit", "viewReference")
_REFERENCE = re.compile(r"(?:(\w+)/)?([A-Za-z0-9\-.]{1,64})")


@dataclass(slots=True)
class Asked:
    """What a request asks for: a view (`definition`, or the shipped `table`), over what, and in which form.

    `resources` is None where the view is to run over the record.
    """

    definition: Json = field(default_factory=dict)
    table: Table | None = None
    format: str = ""
    header: bool = True
    patients: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()
    since: str = ""
    limit: int | None = None
    resources: list[Json] | None = None


def read_request(body: Json, query: Pairs) -> Asked:
    """What is asked. Raises `Malformed` with the place of what cannot be asked, `NotFound` for an unknown view."""
    if body.get("resourceType") != "Parameters" or not isinstance(body.get("parameter"), list):
        expected = "a Parameters resource with viewResource or viewReference"
        raise Malformed(Issue("structure", "The body is a Parameters resource.", "Parameters", "", "", expected))
    given = [(name, value, f"http.{name}") for name, value in query]
    for number, part in enumerate(body["parameter"]):
        place = f"Parameters.parameter[{number}]"
        if not isinstance(part, dict) or not isinstance(part.get("name"), str):
            raise Malformed(Issue("structure", "A parameter has a name.", place, str(part)[:100]))
        given.append((part["name"], _stated(part, place), place))
    return _asked(given)


def _stated(part: Json, place: str) -> Any:
    name = part["name"]
    if name == "source":
        raise NotSupported(Issue("not-supported", "Rows are made of this record, or of resources sent along.", place))
    if name in _RESOURCES:
        if not isinstance(part.get("resource"), dict):
            raise Malformed(Issue("required", f"'{name}' holds a resource.", f"{place}.resource"))
        return part["resource"]
    if name not in _VALUES:
        expected = ", ".join((*_VALUES, *_RESOURCES))
        raise Malformed(Issue("not-supported", f"The parameter '{name}' is not known here.", place, name, "", expected))
    values = [part[key] for key in _VALUES[name] if key in part]
    if len(values) != 1:
        raise Malformed(Issue("required", f"'{name}' has one value.", place, expected=" or ".join(_VALUES[name])))
    return values[0]


def _asked(given: list[tuple[str, Any, str]]) -> Asked:
    asked, seen = Asked(), set()
    for name, value, place in given:
        if place.startswith("http.") and name not in _IN_QUERY:
            raise Malformed(Issue("not-supported", f"The parameter '{name}' is not known here.", place, name))
        if name in seen and name not in _SEVERAL:
            raise Malformed(Issue("invalid", f"'{name}' is given once.", place, name))
        seen.add(name)
        _take(asked, name, value, place)
    if not asked.definition and asked.table is None:
        expected = "viewResource with a ViewDefinition, or viewReference with the name of a shipped table"
        raise Malformed(Issue("required", "The view to run is missing.", "Parameters.parameter", expected=expected))
    if asked.definition and asked.table:
        raise Malformed(Issue("invalid", "One view is run: viewResource or viewReference.", "Parameters.parameter"))
    if asked.resources is not None and (asked.patients or asked.groups or asked.since):
        message = "Resources that are sent along are not filtered: patient, group and _since are about the record."
        raise Malformed(Issue("invalid", message, "Parameters.parameter", rule="view-filter"))
    return asked


def _take(asked: Asked, name: str, value: Any, place: str) -> None:
    if name == "viewResource":
        asked.definition = value
    elif name == "viewReference":
        asked.table = find_table(_text(value, place))
    elif name == "resource":
        asked.resources = [*(asked.resources or []), _typed(value, place)]
    elif name == "patient":
        asked.patients = (*asked.patients, _id_in(value, "Patient", place))
    elif name == "group":
        asked.groups = (*asked.groups, _id_in(value, "Group", place))
    else:
        _shape(asked, name, value, place)


def _shape(asked: Asked, name: str, value: Any, place: str) -> None:
    if name == "_format":
        asked.format = _text(value, place)
    elif name == "_since":
        asked.since = _text(value, place)
    elif name == "header":
        asked.header = _choice(value, {"true": True, "false": False}, place)
    else:
        asked.limit = _limit(value, place)


def _text(value: Any, place: str) -> str:
    written = value.get("reference") if isinstance(value, dict) else value
    if not isinstance(written, str) or not written:
        raise Malformed(Issue("invalid", "This parameter is a text.", place, str(value)[:100]))
    return written


def _typed(value: Json, place: str) -> Json:
    if not isinstance(value.get("resourceType"), str):
        raise Malformed(Issue("required", "A resource says its type.", f"{place}.resource.resourceType"))
    return value


def _id_in(value: Any, kind: str, place: str) -> str:
    written = _text(value, place)
    found = _REFERENCE.fullmatch(written)
    if found is None or found[1] not in (None, kind):
        expected = f"{kind}/… of this record"
        raise Malformed(Issue("invalid", f"This is no {kind} of this record.", place, written, "view-filter", expected))
    return found[2]


def _choice(value: Any, choices: Mapping[str, bool], place: str) -> bool:
    found = value if isinstance(value, bool) else choices.get(str(value))
    if found is None:
        raise Malformed(Issue("invalid", "A header is wanted or not.", place, str(value), expected="true or false"))
    return found


def _limit(value: Any, place: str) -> int:
    if isinstance(value, bool) or not re.fullmatch("[1-9][0-9]{0,8}", str(value)):
        raise Malformed(Issue("invalid", "A limit is a number of rows.", place, str(value), expected="1 or more"))
    return int(value)
