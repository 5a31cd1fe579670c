"""Rules of what travels or declares: Bundle, Questionnaire, CapabilityStatement."""

from __future__ import annotations

import re

from service.fhir.rules import Json, Presence, Test, ValueRule, distinct, inner, objects, when
from service.fhir.walk import Walk

_NAME = re.compile(r"[A-Z][A-Za-z0-9_]{0,254}")
_WITH_REQUEST = ("batch", "transaction", "history")
_WITH_RESPONSE = ("batch-response", "transaction-response", "history")
_WITH_OPTIONS = ("choice", "open-choice", "decimal", "integer", "date", "dateTime", "time", "string", "quantity")
_WITH_LENGTH = ("boolean", "decimal", "integer", "string", "text", "url", "open-choice")


def _machine_name(element: Json, _: Walk) -> bool:
    return _NAME.fullmatch(str(element["name"])) is not None


def _type_in(*kinds: str) -> Test:
    return lambda element, _: element.get("type") in kinds


def _type_not(*kinds: str) -> Test:
    return lambda element, _: element.get("type") not in kinds


def _each_entry(part: str, kinds: tuple[str, ...]) -> Test:
    def holds(bundle: Json, _: Walk) -> bool:
        wanted = bundle.get("type") in kinds
        return all((part in entry) == wanted for entry in objects(bundle["entry"]))

    return holds


def _only_in_a_search(bundle: Json, _: Walk) -> bool:
    return bundle.get("type") == "searchset" or not inner(bundle, "entry", "search")


def _full_urls_are_distinct(bundle: Json, _: Walk) -> bool:
    versions = [
        f"{entry['fullUrl']} {''.join(map(str, inner(entry, 'resource', 'meta', 'versionId')))}"
        for entry in objects(bundle["entry"])
        if "fullUrl" in entry
    ]
    return bundle.get("type") == "history" or len(set(versions)) == len(versions)


def _document(bundle: Json, _: Walk) -> bool:
    return bundle.get("type") != "document" or (
        bool(inner(bundle, "identifier", "system")) and bool(inner(bundle, "identifier", "value"))
    )


def _document_is_dated(bundle: Json, _: Walk) -> bool:
    return bundle.get("type") != "document" or "timestamp" in bundle


def _begins_with(kind: str, resource_type: str) -> Test:
    def holds(bundle: Json, _: Walk) -> bool:
        first = [entry.get("resource") for entry in objects(bundle.get("entry"))[:1]]
        return bundle.get("type") != kind or inner({"first": first}, "first", "resourceType") == [resource_type]

    return holds


def _group_has_items(item: Json, _: Walk) -> bool:
    kind = item.get("type")
    return (kind != "group" or "item" in item) and (kind != "display" or "item" not in item)


def _link_ids(item: Json) -> list[object]:
    below = [found for child in objects(item.get("item")) for found in _link_ids(child)]
    return [*below, *inner(item, "linkId")]


def _kind_needs(element: Json, kind: str, *, implementation: bool, software: bool) -> bool:
    return element.get("kind") != kind or (
        ("implementation" in element) == implementation and ("software" in element) == software
    )


PRESENCE: dict[str, Presence] = {
    "bdl-5": lambda has: bool(has & {"resource", "request", "response"}),
    "cpb-1": lambda has: bool(has & {"rest", "messaging", "document"}),
    "cpb-2": lambda has: bool(has & {"description", "software", "implementation"}),
}

VALUES: dict[str, ValueRule] = {
    "bdl-1": when("total", test=_type_in("searchset", "history")),
    "bdl-2": when("entry", test=_only_in_a_search),
    "bdl-3": when("entry", test=_each_entry("request", _WITH_REQUEST)),
    "bdl-4": when("entry", test=_each_entry("response", _WITH_RESPONSE)),
    "bdl-7": when("entry", test=_full_urls_are_distinct),
    "bdl-8": when("fullUrl", test=lambda entry, _: "/_history/" not in str(entry["fullUrl"])),
    "bdl-9": when("type", test=_document),
    "bdl-10": when("type", test=_document_is_dated),
    "bdl-11": when("type", test=_begins_with("document", "Composition")),
    "bdl-12": when("type", test=_begins_with("message", "MessageHeader")),
    "que-0": when("name", test=_machine_name),
    "que-1": when("type", test=_group_has_items),
    "que-2": when("item", test=lambda form, _: distinct(_link_ids(form))),
    "que-3": when("type", "code", test=_type_not("display")),
    "que-5": when("type", test=lambda item, _: item.get("type") in _WITH_OPTIONS or not _has_options(item)),
    "que-6": when("type", test=lambda item, _: item["type"] != "display" or not {"required", "repeats"} & set(item)),
    "que-7": when("operator", test=lambda rule, _: rule["operator"] != "exists" or "answerBoolean" in rule),
    "que-8": when("type", "initial", test=_type_not("group", "display")),
    "que-9": when("type", "readOnly", test=_type_not("display")),
    "que-10": when("type", "maxLength", test=_type_in(*_WITH_LENGTH)),
    "que-12": when("enableWhen", test=lambda item, _: len(item["enableWhen"]) <= 2 or "enableBehavior" in item),
    "que-13": when("initial", test=lambda item, _: item.get("repeats") is True or len(item["initial"]) <= 1),
    "cpb-0": when("name", test=_machine_name),
    "cpb-3": when(
        "messaging", test=lambda it, _: it.get("kind") == "instance" or not inner(it, "messaging", "endpoint")
    ),
    "cpb-7": when("document", test=lambda it, _: distinct(_documents(it))),
    "cpb-9": when("resource", test=lambda rest, _: distinct(inner(rest, "resource", "type"))),
    "cpb-12": when("searchParam", test=lambda kind, _: distinct(inner(kind, "searchParam", "name"))),
    "cpb-14": when("kind", test=lambda it, _: it["kind"] != "instance" or "implementation" in it),
    "cpb-15": when("kind", test=lambda it, _: _kind_needs(it, "capability", implementation=False, software=True)),
    "cpb-16": when("kind", test=lambda it, _: _kind_needs(it, "requirements", implementation=False, software=False)),
}


def _has_options(item: Json) -> bool:
    return "answerValueSet" in item or "answerOption" in item


def _documents(statement: Json) -> list[tuple[object, object]]:
    return [(each.get("profile"), each.get("mode")) for each in objects(statement["document"])]
