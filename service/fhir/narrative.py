"""Which XHTML a narrative may hold: rules txt-1 and txt-2 (https://hl7.org/fhir/R4/narrative.html#xhtml)."""

from __future__ import annotations

import re
from html.entities import html5
from xml.etree import ElementTree as Tree

_XHTML = "{http://www.w3.org/1999/xhtml}"
_ELEMENTS = frozenset(
    [
        "a",
        "abbr",
        "acronym",
        "address",
        "b",
        "bdo",
        "big",
        "blockquote",
        "br",
        "caption",
        "cite",
        "code",
        "col",
        "colgroup",
        "dd",
        "del",
        "dfn",
        "div",
        "dl",
        "dt",
        "em",
        "h1",
        "h2",
        "h3",
        "h4",
        "h5",
        "h6",
        "hr",
        "i",
        "img",
        "ins",
        "kbd",
        "li",
        "ol",
        "p",
        "pre",
        "q",
        "samp",
        "small",
        "span",
        "strong",
        "sub",
        "sup",
        "table",
        "tbody",
        "td",
        "tfoot",
        "th",
        "thead",
        "tr",
        "tt",
        "ul",
        "var",
    ]
)
_ATTRIBUTES = frozenset(
    [
        "abbr",
        "accesskey",
        "align",
        "alt",
        "axis",
        "bgcolor",
        "border",
        "cellhalign",
        "cellpadding",
        "cellspacing",
        "cellvalign",
        "char",
        "charoff",
        "charset",
        "cite",
        "class",
        "colspan",
        "compact",
        "coords",
        "dir",
        "frame",
        "headers",
        "height",
        "href",
        "hreflang",
        "hspace",
        "id",
        "lang",
        "longdesc",
        "name",
        "nowrap",
        "rel",
        "rev",
        "rowspan",
        "rules",
        "scope",
        "shape",
        "span",
        "src",
        "start",
        "style",
        "summary",
        "tabindex",
        "title",
        "type",
        "valign",
        "value",
        "vspace",
        "width",
    ]
)
_MARKUP_DECLARATION = re.compile(r"<!(?!--)|<\?")
_ENTITY = re.compile(r"&([A-Za-z][A-Za-z0-9]*);")
_OWN_ENTITIES = frozenset(("amp", "lt", "gt", "quot", "apos"))
_UNSAFE_LINK = re.compile(r"\s*(?:javascript|vbscript|data(?!:image/))\s*:", re.IGNORECASE)


def narrative_problem(text: str) -> str:
    """What is wrong with a narrative's div, as the rest of a sentence; empty when it may stand."""
    if not text.lstrip().startswith("<div"):
        return "it does not begin with <div>"
    if _MARKUP_DECLARATION.search(text):
        return "it holds a document type, an entity declaration or a processing instruction"
    try:
        root = Tree.fromstring(_ENTITY.sub(_character, text))  # noqa: S314  it holds no declarations
    except Tree.ParseError as problem:
        return f"it is not well-formed XHTML ({problem})"
    found = next((each for each in map(_element_problem, root.iter()) if each), "")
    if found:
        return found
    has_image = any(element.tag.removeprefix(_XHTML) == "img" for element in root.iter())
    return "" if has_image or "".join(root.itertext()).strip() else "it is empty"


def _character(entity: re.Match[str]) -> str:
    if entity[1] in _OWN_ENTITIES:
        return entity[0]
    return html5.get(f"{entity[1]};", entity[0])


def _element_problem(element: Tree.Element) -> str:
    name = element.tag.removeprefix(_XHTML)
    if name not in _ELEMENTS:
        return f"it holds the element <{name}>"
    for attribute, value in element.attrib.items():
        plain = attribute.removeprefix("{http://www.w3.org/XML/1998/namespace}")
        if plain not in _ATTRIBUTES:
            return f"it holds the attribute {plain} on <{name}>"
        if plain in ("href", "src") and _UNSAFE_LINK.match(value):
            return f"the {plain} of <{name}> is not a plain link"
    return ""
