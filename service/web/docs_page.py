"""The page at `/docs`: the OpenAPI document as plain, accessible HTML of our own, without a line of script."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import msgspec

from service.fhir import text
from service.web.html import Html, element, join, page

Json = dict[str, Any]
_NO_HTML = Html("")


def render(document: Json, stylesheet: str) -> str:
    """The page that describes an OpenAPI 3.1 document."""
    info = document["info"]
    operations = list(_operations(document))
    schemas = document.get("components", {}).get("schemas", {})
    content = element(
        "main",
        element("h1", info["title"]),
        element(
            "p",
            f"Version {info['version']}. The same in machine-readable form: ",
            element("a", "openapi.json", href="openapi.json"),
            ".",
        ),
        _paragraphs(info.get("description", "")),
        _contents(operations, schemas),
        *(_group(tag, operations) for tag in _tags(document, operations)),
        element("h2", "What the bodies hold", id="bodies") if schemas else None,
        *(_schema(name, schema) for name, schema in schemas.items()),
        id="content",
    )
    return page(f"{info['title']}: how to use it", content, stylesheet=stylesheet)


def _operations(document: Json) -> Iterator[Json]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            anchor = operation["operationId"]
            yield {**operation, "path": path, "method": method.upper(), "anchor": anchor, "tag": operation["tags"][0]}


def _tags(document: Json, operations: list[Json]) -> list[Json]:
    described = {tag["name"]: tag for tag in document.get("tags", [])}
    used = dict.fromkeys(operation["tag"] for operation in operations)
    ordered = [*(name for name in described if name in used), *(name for name in used if name not in described)]
    return [described.get(name, {"name": name}) for name in ordered]


def _contents(operations: list[Json], schemas: Json) -> Html:
    links = [
        element("li", element("a", f"{each['method']} {each['path']}", href=f"#{each['anchor']}"))
        for each in operations
    ]
    if schemas:
        links.append(element("li", element("a", "What the bodies hold", href="#bodies")))
    return element("nav", element("h2", "Contents", id="contents"), element("ul", *links), aria_labelledby="contents")


def _group(tag: Json, operations: list[Json]) -> Html:
    return join(
        element("h2", tag["name"]),
        _paragraphs(tag.get("description", "")),
        *(_operation(each) for each in operations if each["tag"] == tag["name"]),
    )


def _operation(operation: Json) -> Html:
    heading = element(
        "h3",
        element("span", operation["method"], class_="method"),
        " ",
        element("code", operation["path"]),
        id=operation["anchor"],
    )
    return element(
        "section",
        heading,
        element("p", element("strong", operation.get("summary", ""))),
        _paragraphs(operation.get("description", "")),
        _parameters(operation.get("parameters", [])),
        _request_body(operation.get("requestBody")),
        _answers(operation.get("responses", {})),
        class_="operation",
        aria_labelledby=operation["anchor"],
    )


def _parameters(parameters: list[Json]) -> Html:
    rows = [
        (
            element("code", each["name"]),
            {"query": "query", "path": "path", "header": "header"}[each["in"]]
            + (", required" if each.get("required") else ""),
            _type(each.get("schema", {})),
            join(_with_code(each.get("description", "")), *_instance(each)),
        )
        for each in parameters
    ]
    return _table("Parameters", ("Name", "Where", "Type", "Meaning"), rows)


def _request_body(body: Json | None) -> Html:
    if body is None:
        return _NO_HTML
    pieces = [element("h4", "Body"), _paragraphs(body.get("description", ""))]
    for media_type, content in body["content"].items():
        schema = content.get("schema", {})
        pieces.append(element("p", element("code", media_type), ": ", _type(schema)))
        pieces.append(_table("Fields", ("Name", "Type", "Meaning"), _fields(schema)))
        pieces.append(_example(content.get("example")))
    return join(*pieces)


def _answers(answers: Json) -> Html:
    rows = [
        (
            element("code", "other" if status == "default" else status),
            _with_code(answer.get("description", "")),
            _answer_type(answer),
        )
        for status, answer in answers.items()
    ]
    examples = [
        _example(content.get("example"))
        for answer in answers.values()
        for content in answer.get("content", {}).values()
    ]
    return join(_table("Answers", ("Status", "Meaning", "Body"), rows), *examples)


def _answer_type(answer: Json) -> Html:
    types = [_type(content.get("schema", {})) for content in answer.get("content", {}).values()]
    return join(*dict.fromkeys(types)) if types else Html("none")


def _schema(name: str, schema: Json) -> Html:
    return element(
        "section",
        element("h3", element("code", name), id=f"schema-{name}"),
        _paragraphs(schema.get("description", "")),
        _table("Fields", ("Name", "Type", "Meaning"), _fields(schema))
        if "properties" in schema
        else element("p", _type(schema)),
        *(_example(example) for example in schema.get("examples", [])),
        class_="operation",
        aria_labelledby=f"schema-{name}",
    )


def _fields(schema: Json) -> list[tuple[str | Html, ...]]:
    required = schema.get("required", [])
    return [
        (
            element("code", name),
            join(_type(field), ", required" if name in required else None),
            join(_with_code(field.get("description", "")), *_default(field)),
        )
        for name, field in schema.get("properties", {}).items()
    ]


def _instance(parameter: Json) -> Iterator[Html]:
    if "example" in parameter:
        yield join(" For example ", element("code", parameter["example"]), ".")


def _default(field: Json) -> Iterator[Html]:
    if field.get("default") is not None:
        yield join(" Default: ", element("code", _json(field["default"])), ".")


def _type(schema: Json) -> Html:
    """A schema in a few words, linked to its own section where it has one."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return element("a", name, href=f"#schema-{name}")
    if "enum" in schema or "const" in schema:
        values = schema.get("enum", [schema.get("const")])
        return join("one of " if len(values) > 1 else None, _codes(str(value) for value in values))
    choices = schema.get("anyOf") or schema.get("oneOf")
    if choices:
        return Html(" or ".join(_type(each) for each in choices))
    return _plain_type(schema)


def _plain_type(schema: Json) -> Html:
    if schema.get("type") == "array":
        return join("list of ", _type(schema.get("items", {})))
    if "properties" in schema:
        return join("object of ", _codes(schema["properties"]))
    kinds = schema.get("type", "anything")
    return join(kinds if isinstance(kinds, str) else " or ".join(kinds), _limits(schema))


def _limits(schema: Json) -> Html:
    words = {
        "format": "{}",
        "pattern": "matching {}",
        "minimum": "at least {}",
        "exclusiveMinimum": "more than {}",
        "maximum": "at most {}",
        "minLength": "{} characters or more",
        "maxLength": "{} characters or fewer",
    }
    limits = [phrase.format(schema[key]) for key, phrase in words.items() if key in schema]
    return element("span", f" ({', '.join(limits)})", class_="quiet") if limits else _NO_HTML


def _codes(names: Iterable[str]) -> Html:
    return Html(", ".join(element("code", name) for name in names))


def _table(caption: str, heads: tuple[str, ...], rows: Sequence[tuple[str | Html, ...]]) -> Html:
    if not rows:
        return _NO_HTML
    head = element("thead", element("tr", *(element("th", each, scope="col") for each in heads)))
    body = element(
        "tbody",
        *(
            element("tr", element("th", first, scope="row"), *(element("td", each) for each in rest))
            for first, *rest in rows
        ),
    )
    return element("div", element("table", element("caption", caption), head, body), class_="table")


def _example(example: Any) -> Html:
    if example is None:
        return _NO_HTML
    return join(element("h4", "Example"), element("pre", element("code", _json(example)), tabindex="0"))


def _json(value: Any) -> str:
    return msgspec.json.format(text.dump(value), indent=2).decode()


def _paragraphs(written: str) -> Html:
    """Plain text as paragraphs, parted by blank lines, with `code` between backquotes."""
    return join(*(element("p", _with_code(each)) for each in written.split("\n\n") if each.strip()))


def _with_code(written: str) -> Html:
    return join(*(element("code", piece) if odd % 2 else piece for odd, piece in enumerate(written.split("`"))))
