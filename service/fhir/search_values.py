"""The values of a search, one alternative at a time: text from the URL in, what is wanted out."""

from __future__ import annotations

import re
from datetime import tzinfo
from typing import Literal

from service.errors import Invalid, Issue
from service.fhir.search_amounts import Amount, number, quantity
from service.fhir.search_dates import interval
from service.fhir.search_paths import LONGEST, fold, split_reference
from service.fhir.search_query import Choice, Moment, Text

PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap")
EXPECTED = {
    "date": "a date such as ge2026-03-01",
    "token": "code, system|code, |code or system|",
    "reference": "Patient/1, 1 or an absolute address",
    "string": "the beginning of a text",
    "uri": "an absolute address",
    "number": "a number such as 5.4 or ge100",
    "quantity": "a number with its unit: 5.4|http://unitsofmeasure.org|kgf, or 5.4||kgf",
    "composite": "two values with a dollar sign between them",
}


def bad(name: str, value: str, needs: str, expected: str) -> Invalid:
    """The refusal of a value."""
    message = f"The search parameter '{name}' needs {needs}."
    return Invalid(Issue("invalid", message, where=name, value=value, rule="search-value", expected=expected))


def split(value: str, separator: str) -> list[str]:
    r"""The parts of a value; a separator after a backslash is part of the text (still escaped here)."""
    return re.split(rf"(?<!\\){re.escape(separator)}", value)


def plain(part: str) -> str:
    """A part without its escapes."""
    return re.sub(r"\\([,|$\\])", r"\1", part)


def token(name: str, part: str) -> Choice:
    """A token: a code, with the system it must have."""
    pieces = [plain(piece) for piece in split(part, "|")]
    if len(pieces) > 2 or pieces == ["", ""]:
        raise bad(name, part, "at most one system and one code", EXPECTED["token"])
    if len(pieces) == 1:
        return Choice(None, pieces[0][:LONGEST])
    system, code = pieces
    return Choice(system, code[:LONGEST] or None)


def typed_identifier(name: str, part: str) -> Choice:
    """An identifier with its type: `system|code|value`."""
    pieces = [plain(piece) for piece in split(part, "|")]
    if len(pieces) != 3 or not pieces[1] or not pieces[2]:
        raise bad(name, part, "a system, the code of a type and a value", "system|code|value")
    system, code, value = pieces
    return Choice(system or None, f"{code}|{value}"[:LONGEST])


def reference(part: str, target: str, base: str) -> Choice:
    """A reference; without a type it is one to `target`, if there is only one. `base` is our own address."""
    text = plain(part)
    if base and text.startswith(f"{base.rstrip('/')}/"):
        text = text[len(base.rstrip("/")) + 1 :]
    kind, ident = split_reference(text)
    if kind:
        return Choice(kind, ident)
    if re.fullmatch(r"[A-Za-z0-9\-.]{1,64}", text):
        return Choice(target or None, text)
    return Choice("", text)


def string(name: str, part: str, modifier: str) -> Text:
    """A text, folded unless it is to be exactly that. Raises `Invalid` if folding leaves nothing to look for."""
    if modifier == "exact":
        return Text(plain(part), "exact")
    how: Literal["contains", "starts"] = "contains" if modifier == "contains" else "starts"
    folded = fold(plain(part))
    if not folded:
        raise bad(name, part, "more than spaces and accents", EXPECTED["string"])
    return Text(folded, how)


def uri(part: str, modifier: str) -> list[Choice | Text]:
    """An address; `below` finds all that begin with it, `above` all that it begins with."""
    text = plain(part)[:LONGEST]
    if modifier == "below":
        return [Text(text, "starts")]
    if modifier == "above":
        ends = [match.end() for match in re.finditer(r"[/|#?]", text)]
        longer = dict.fromkeys(piece for end in ends for piece in (text[:end], text[: end - 1]) if piece)
        return [Choice(None, each) for each in dict.fromkeys([*longer, text])]
    return [Choice(None, text)]


def moment(name: str, part: str, zone: tzinfo | None) -> Moment:
    """A date with its prefix."""
    prefix, rest = (part[:2], part[2:]) if part[:2].isalpha() else ("eq", part)
    if prefix not in PREFIXES:
        raise bad(name, part, "a known prefix before the date", ", ".join(PREFIXES))
    try:
        # A plus sign that nobody escaped arrives as a space.
        return Moment(prefix, interval(re.sub(r" (?=[0-9]{2}:[0-9]{2}$)", "+", rest), zone))
    except ValueError as problem:
        message = f"The search parameter '{name}' needs a date; this one {problem}."
        raise Invalid(Issue("invalid", message, name, part, "search-value", EXPECTED["date"])) from None


def amount(name: str, part: str, kind: str) -> Amount:
    """A number, or a quantity with its unit: a number alone would find degrees among kilograms."""
    pieces = [plain(piece) for piece in split(part, "|")]
    if kind == "quantity" and (len(pieces) != 3 or not pieces[2]):
        raise bad(name, part, "the unit beside the number", EXPECTED["quantity"])
    try:
        return number(part) if kind == "number" else quantity(pieces[0], pieces[1], pieces[2])
    except ValueError as problem:
        message = f"The search parameter '{name}' needs a number; this one {problem}."
        raise Invalid(Issue("invalid", message, name, part, "search-value", EXPECTED[kind])) from None
