"""HTML elements from Python, with everything escaped."""

from __future__ import annotations

from html import escape


class Html(str):
    """Text that is already HTML."""

    __slots__ = ()


def element(name: str, *content: str | Html | None, **attributes: str | None) -> Html:
    """`<name …>content</name>`; plain strings are escaped, None is left out.

    Attributes are written with hyphens for underscores; one trailing underscore is dropped (`class_`, `for_`).
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    return Html(f"<{name}{written}>{join(*content)}</{name}>")


def join(*content: str | Html | None) -> Html:
    """Pieces of content one after the other."""
    return Html("".join(piece if isinstance(piece, Html) else escape(piece) for piece in content if piece is not None))


def page(title: str, *content: Html, stylesheet: str) -> str:
    """A whole page."""
    head = join(
        Html('<meta charset="utf-8">'),
        Html('<meta name="viewport" content="width=device-width, initial-scale=1">'),
        element("title", title),
        Html(f'<link rel="stylesheet" href="{escape(stylesheet)}">'),
        Html('<link rel="icon" href="data:,">'),
    )
    body = join(element("a", "Skip to content", class_="skip", href="#content"), *content)
    return f'<!doctype html>\n<html lang="en">{element("head", head)}{element("body", body)}</html>\n'
