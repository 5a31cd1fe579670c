"""The OpenAPI document and the page made from it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pytest

from service.fhir.capability import interactions_of
from service.fhir.definitions import SERVED_TYPES
from service.web.docs_page import render

_VOID = {"meta", "link"}


class Page(HTMLParser):
    """The page as a reader's program sees it: elements properly nested, ids, links, texts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(text)
        self.close()
        assert not self.open, f"left open: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def all(self, tag: str) -> Iterator[dict[str, str | None]]:
        return (attributes for name, attributes in self.elements if name == tag)


@pytest.fixture(scope="module")
def document(client: Any) -> dict[str, Any]:
    answer = client.get("/openapi.json")
    assert answer.status_code == 200
    found: dict[str, Any] = answer.json()
    return found


@pytest.fixture(scope="module")
def page(client: Any) -> Page:
    answer = client.get("/docs")
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return Page(answer.text)


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            if key == "$ref":
                yield inner
            else:
                yield from references(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references(inner)


def test_every_reference_in_the_document_leads_somewhere(document: dict[str, Any]) -> None:
    found = set(references(document))
    assert found
    for reference in found:
        target: Any = document
        for step in reference.removeprefix("#/").split("/"):
            target = target[step]


def test_every_operation_says_what_it_is_for_and_how_it_refuses(document: dict[str, Any]) -> None:
    names = []
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            assert operation["summary"].endswith((".", "?")), (path, method)
            assert any(status.startswith("2") for status in operation["responses"])
            assert "4XX" in operation["responses"]
            assert "422" not in operation["responses"]
            in_path = {each["name"] for each in operation.get("parameters", []) if each["in"] == "path"}
            assert in_path == {part[1:-1] for part in path.split("/") if part.startswith("{")}
            names.append(operation["operationId"])
    assert len(names) == len(set(names))


def test_what_is_described_is_what_is_routed(client: Any, document: dict[str, Any]) -> None:
    for path, methods in document["paths"].items():
        address = path.format_map(defaultdict(lambda: "1", type="Patient", target="Observation"))
        answer = client.request("PROPFIND", address)
        allowed = set(answer.headers["allow"].split(", ")) - {"HEAD"}
        assert answer.status_code == 405
        assert {method.upper() for method in methods} == allowed, path


def test_the_capability_statement_promises_only_what_is_routed(document: dict[str, Any]) -> None:
    described = {each["operationId"] for methods in document["paths"].values() for each in methods.values()}
    meant = {
        "read": "fhir-read",
        "vread": "fhir-vread",
        "history-instance": "fhir-history",
        "create": "fhir-create",
        "update": "fhir-update",
        "delete": "fhir-delete",
        "search-type": "fhir-search",
        "history-type": "fhir-history-type",
        "patch": "fhir-patch",
    }
    promised = {each for kind in SERVED_TYPES for each in interactions_of(kind)}
    assert {meant[each] for each in promised} <= described


def test_the_page_shows_every_path_parameter_and_schema(page: Page, document: dict[str, Any]) -> None:
    text = " ".join(page.texts)
    for path, methods in document["paths"].items():
        assert path in text
        for operation in methods.values():
            assert operation["summary"] in text
            for parameter in operation.get("parameters", []):
                assert parameter["name"] in page.texts
    for name in document["components"]["schemas"]:
        assert name in page.texts


def test_the_page_needs_no_script_and_nothing_from_elsewhere(client: Any, page: Page) -> None:
    assert not list(page.all("script"))
    assert not [attributes for _, attributes in page.elements if "style" in attributes]
    for stylesheet in page.all("link"):
        address = str(stylesheet["href"])
        assert address == "data:," or client.get(f"/{address}").headers["content-type"] == "text/css; charset=utf-8"


def test_the_page_can_be_read_by_ear_and_by_keyboard(page: Page) -> None:
    assert next(page.all("html"))["lang"] == "en"
    assert any("how to use it" in text for text in page.texts)
    assert len(list(page.all("main"))) == len(list(page.all("h1"))) == 1
    levels = [int(tag[1]) for tag, _ in page.elements if tag in {"h1", "h2", "h3", "h4"}]
    assert all(after - before <= 1 for before, after in pairwise(levels))
    identifiers = [str(attributes["id"]) for _, attributes in page.elements if "id" in attributes]
    assert len(identifiers) == len(set(identifiers))
    for link in page.all("a"):
        if str(link["href"]).startswith("#"):
            assert str(link["href"])[1:] in identifiers
    for _, attributes in page.elements:
        if "aria-labelledby" in attributes:
            assert attributes["aria-labelledby"] in identifiers
    assert len(list(page.all("table"))) == len(list(page.all("caption")))
    assert all(head.get("scope") in ("col", "row") for head in page.all("th"))
    assert all(block.get("tabindex") == "0" for block in page.all("pre"))


def test_what_a_description_holds_is_text_and_not_markup() -> None:
    operation = {
        "operationId": 'a"b',
        "tags": ["<b>"],
        "summary": "<script>alert(1)</script>",
        "description": "a & b, `<i>`",
        "responses": {"200": {"description": "<img src=x>"}},
    }
    document = {"info": {"title": "<title>", "version": "1"}, "paths": {"/<p>": {"get": operation}}}
    page = Page(render(document, "record.css"))
    assert not [tag for tag, _ in page.elements if tag in {"script", "img", "b", "i", "p>"}]
    assert "<script>alert(1)</script>" in page.texts
    assert "<i>" in page.texts
