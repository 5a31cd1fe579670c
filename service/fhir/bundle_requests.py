"""What the entries of a batch or transaction ask for."""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import dataclass
from typing import Any, Literal, cast, get_args
from urllib.parse import parse_qsl

from service.errors import Invalid, Issue, Malformed
from service.fhir import json_patch
from service.fhir.patches import Patch, fhirpath_patch_of, json_patch_of
from service.fhir.search_dates import interval
from service.fhir.text import Json
from service.fhir.validation import require_valid
from service.fhir.walk import shown

Method = Literal["GET", "POST", "PUT", "PATCH", "DELETE"]
METHODS = get_args(Method)

_TARGET = re.compile(
    r"(?P<type>[A-Z][A-Za-z]+)(/(?P<id>[A-Za-z0-9\-.]{1,64})(?P<history>/_history(/(?P<version>[1-9][0-9]{0,8}))?)?)?"
    r"(/\$(?P<operation>[a-z-]+))?(\?(?P<query>.*))?"
)
_TAG = re.compile(r'(?:W/)?"([1-9][0-9]{0,8})"')


@dataclass(frozen=True, slots=True)
class Request:
    """One entry: a method on a type, an id, a version, an `operation` or, for a search, `query`.

    `resource` is what a POST or PUT sends, `patch` what a PATCH does. `condition` finds what a PUT, PATCH or
    DELETE is about. `expected` is the version that ifMatch names; a GET that would answer one of the versions `known`,
    or nothing newer than `since` (microseconds), need not. `position` counts from 0.
    """

    position: int
    method: Method
    type: str
    id: str = ""
    version: int | None = None
    history: bool = False
    query: tuple[tuple[str, str], ...] = ()
    resource: Json | None = None
    full_url: str = ""
    expected: int | None = None
    if_none_exist: str | None = None
    condition: str | None = None
    patch: Patch | None = None
    known: tuple[str, ...] = ()
    since: int | None = None
    operation: str = ""

    @property
    def where(self) -> str:
        """The entry as a FHIRPath expression."""
        return f"Bundle.entry[{self.position}]"


def requests_of(bundle: Json, *, base: str = "") -> tuple[Literal["batch", "transaction"], list[Request | Invalid]]:
    """The kind of the Bundle and its entries in order; an entry that cannot be read is the error that says why.

    `base` is this server's address, which an entry may write before its own. Raises `Invalid` for what is no batch
    or transaction.
    """
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") not in ("batch", "transaction"):
        found = f"{shown(bundle.get('resourceType', 'no resourceType'))} {shown(bundle.get('type', ''))}".strip()
        message = "Only a Bundle of the type batch or transaction can be carried out."
        raise Invalid(Issue("invalid", message, "Bundle.type", found, expected="batch or transaction"))
    require_valid(_frame(bundle))
    entries = bundle.get("entry", [])
    return bundle["type"], [_read(position, entry, base) for position, entry in enumerate(entries)]


def _frame(bundle: Json) -> Json:
    """The Bundle without the resources that are sent: those are checked one by one."""
    entries = bundle.get("entry")
    if not isinstance(entries, list):
        return bundle
    return {**bundle, "entry": [_without_resource(entry) for entry in entries]}


def _without_resource(entry: Any) -> Any:
    if not isinstance(entry, dict) or "request" not in entry:
        return entry
    return {key: value for key, value in entry.items() if key != "resource"}


def _read(position: int, entry: Json, base: str) -> Request | Invalid:
    try:
        return _request(position, entry, base)
    except Invalid as problem:
        return problem


def _request(position: int, entry: Json, base: str) -> Request:
    where = f"Bundle.entry[{position}].request"
    asked = entry["request"]
    method, url = asked["method"], asked["url"]
    if method not in METHODS:
        raise _wrong(f"{where}.method", "This method is not offered in a Bundle.", method, ", ".join(METHODS))
    target = _TARGET.fullmatch(url.removeprefix(f"{base}/") if base else url)
    if target is None:
        raise _wrong(f"{where}.url", "The url names no resource of this record.", url, "Type, Type/id or Type?search")
    _require_form(where, method, target, url)
    _require_reader(where, method, asked)
    return Request(
        position, cast(Method, method), target["type"], target["id"] or "",
        int(target["version"]) if target["version"] else None, target["history"] is not None,
        tuple(parse_qsl(target["query"] or "", keep_blank_values=True)),
        _resource(position, method, target, entry), entry.get("fullUrl", ""),
        _expected(f"{where}.ifMatch", asked.get("ifMatch")), asked.get("ifNoneExist"),
        target["query"] if method != "GET" else None, _patch(position, method, entry),
        tuple(tag.strip().removeprefix("W/") for tag in asked.get("ifNoneMatch", "").split(",") if tag.strip()),
        interval(asked["ifModifiedSince"]).hi if "ifModifiedSince" in asked else None, target["operation"] or "",
    )  # fmt: skip


_FORMS = {
    "POST": ("Type",),
    "PUT": ("Type/id", "Type?search"),
    "PATCH": ("Type/id", "Type?search"),
    "DELETE": ("Type/id", "Type?search"),
}


def _require_form(where: str, method: str, target: re.Match[str], url: str) -> None:
    form = "Type/id" if target["id"] else "Type"
    if target["history"]:
        form += "/_history"
    if target["operation"]:
        form += "/$operation"
    if target["query"] is not None:
        form += "?search"
    if method == "GET" and target["id"] and target["query"] is not None and not target["operation"]:
        raise _wrong(f"{where}.url", "Reading inside a Bundle takes no parameters.", url, "Type/id or Type?search")
    if method in _FORMS and form not in _FORMS[method]:
        raise _wrong(f"{where}.url", f"{method} is not offered on such a url.", url, " or ".join(_FORMS[method]))


def _require_reader(where: str, method: str, asked: Json) -> None:
    """What a reader knows already is a condition of reading only."""
    for name in ("ifNoneMatch", "ifModifiedSince"):
        if name in asked and method != "GET":
            raise _wrong(f"{where}.{name}", f"This is no condition of a {method}.", asked[name], "ifMatch")


def _resource(position: int, method: str, target: re.Match[str], entry: Json) -> Json | None:
    where, resource = f"Bundle.entry[{position}].resource", entry.get("resource")
    if method not in ("POST", "PUT"):
        return None
    if not isinstance(resource, dict):
        raise _wrong(where, f"{method} sends a resource, and the entry has none.", "", target["type"])
    if resource.get("resourceType") != target["type"]:
        found = shown(resource.get("resourceType", "none"))
        raise _wrong(f"{where}.resourceType", "The resource is of another type than the url.", found, target["type"])
    if method == "PUT" and target["id"] and resource.get("id") != target["id"]:
        raise _wrong(
            f"{where}.id", "The resource has another id than the url.", shown(resource.get("id", "none")), target["id"]
        )
    return resource


def _patch(position: int, method: str, entry: Json) -> Patch | None:
    """What a PATCH sends: a FHIRPath Patch as it is, or a JSON Patch in a Binary (http.html#patch in R4)."""
    if method != "PATCH":
        return None
    where, sent = f"Bundle.entry[{position}].resource", entry.get("resource")
    if isinstance(sent, dict) and sent.get("resourceType") == "Parameters":
        return fhirpath_patch_of(sent)
    if not isinstance(sent, dict) or sent.get("resourceType") != "Binary":
        message = "PATCH sends Parameters that are a FHIRPath Patch, or a Binary that holds a JSON Patch."
        raise _wrong(where, message, "", "Parameters or Binary")
    if sent.get("contentType") != json_patch.MEDIA_TYPE:
        found = shown(sent.get("contentType", "none"))
        raise _wrong(f"{where}.contentType", "This form of patch is not read here.", found, json_patch.MEDIA_TYPE)
    try:
        return json_patch_of(base64.b64decode(str(sent.get("data", "")), validate=True))
    except (binascii.Error, Malformed):
        raise _wrong(f"{where}.data", "The Binary holds no JSON Patch.", "", "base64 of a JSON Patch") from None


def _expected(where: str, tag: str | None) -> int | None:
    if tag is None:
        return None
    match = _TAG.fullmatch(tag)
    if match is None:
        raise _wrong(where, "The condition names no version.", tag, 'W/"3"')
    return int(match[1])


def _wrong(where: str, message: str, value: str, expected: str) -> Invalid:
    return Invalid(Issue("invalid", message, where, value, "bundle-request", expected))
