"""A naive search over plain resources in memory, written from https://hl7.org/fhir/R4/search.html.

It shares nothing with the service: it reads the pairs of a query as they stand in the address, looks at every resource
for every one of them, and knows where a few parameters of four types look. What the standard leaves to the server is
said where it is decided: a date without a time of day asks for days as the writer's clock showed them; the instants of
a stored date without a time are those of that day in UTC; force, mass, length do not convert into each other.
"""

from __future__ import annotations

import re
import unicodedata
from calendar import monthrange
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from typing import Any

Json = dict[str, Any]
Value = Any
Span = tuple[Any, Any]
LOWEST, HIGHEST = float("-inf"), float("inf")
UCUM = "http://unitsofmeasure.org"
METRES = {"cm": Fraction(1, 100), "mm": Fraction(1, 1000), "[in_i]": Fraction(254, 10000)}
"""What converts: 1 in = 2.54 cm (international yard and pound agreement, 1959)."""


def at(resource: Json, path: str) -> list[Value]:
    """Every element at a path, lists opened."""
    here: list[Value] = [resource]
    for step in path.split("."):
        below = [one[step] for one in here if isinstance(one, dict) and step in one]
        here = [each for one in below for each in (one if isinstance(one, list) else [one])]
    return here


PARAMETERS: dict[str, dict[str, tuple[str, tuple[str, ...]]]] = {
    "Patient": {
        "family": ("string", ("name.family",)),
        "given": ("string", ("name.given",)),
        "name": ("string", ("name.family", "name.given", "name.text")),
        "birthdate": ("date", ("birthDate",)),
        "gender": ("token", ("gender",)),
        "active": ("token", ("active",)),
        "identifier": ("token", ("identifier",)),
    },
    "Observation": {
        "code": ("token", ("code",)),
        "category": ("token", ("category",)),
        "status": ("token", ("status",)),
        "value-concept": ("token", ("valueCodeableConcept",)),
        "identifier": ("token", ("identifier",)),
        "subject": ("reference", ("subject",)),
        "patient": ("reference", ("subject",)),
        "encounter": ("reference", ("encounter",)),
        "has-member": ("reference", ("hasMember",)),
        "date": ("date", ("effectiveDateTime", "effectivePeriod")),
        "value-quantity": ("quantity", ("valueQuantity",)),
        "component-code": ("token", ("component.code",)),
        "component-value-quantity": ("quantity", ("component.valueQuantity",)),
        "combo-code": ("token", ("code", "component.code")),
        "combo-value-quantity": ("quantity", ("valueQuantity", "component.valueQuantity")),
    },
    "Condition": {
        "code": ("token", ("code",)),
        "clinical-status": ("token", ("clinicalStatus",)),
        "identifier": ("token", ("identifier",)),
        "subject": ("reference", ("subject",)),
        "patient": ("reference", ("subject",)),
        "encounter": ("reference", ("encounter",)),
        "onset-date": ("date", ("onsetDateTime", "onsetPeriod")),
        "recorded-date": ("date", ("recordedDate",)),
    },
    "Encounter": {
        "status": ("token", ("status",)),
        "class": ("token", ("class",)),
        "identifier": ("token", ("identifier",)),
        "subject": ("reference", ("subject",)),
        "patient": ("reference", ("subject",)),
        "date": ("date", ("period",)),
    },
}
for _table in PARAMETERS.values():
    _table["_id"] = ("token", ("id",))
    _table["_lastUpdated"] = ("instant", ("meta.lastUpdated",))

COMPOSITES = {
    "code-value-quantity": ("", "code", "value-quantity"),
    "component-code-value-quantity": ("component", "code", "value-quantity"),
}
_PARTS = {"code": ("token", "code"), "value-quantity": ("quantity", "valueQuantity")}


class Model:
    """Everything that is stored: by type, in the order in which ids first came."""

    def __init__(self, base: str) -> None:
        self.base = base
        self.stored: dict[tuple[str, str], Json] = {}

    def search(self, kind: str, pairs: list[tuple[str, str]]) -> list[Json]:
        """The resources of a type that meet all pairs, in no particular order."""
        here = [resource for (stored, _), resource in self.stored.items() if stored == kind]
        return [one for one in here if all(self.meets(one, name, value) for name, value in pairs)]

    def meets(self, resource: Json, name: str, value: str) -> bool:
        """Whether a resource meets one pair of a query."""
        kind = resource["resourceType"]
        if name.startswith("_has:"):
            _, source, by, rest = name.split(":", 3)
            return any(
                self._points(other, by, resource) and self.meets(other, rest, value)
                for (stored, _), other in self.stored.items()
                if stored == source
            )
        link, dot, rest = name.partition(".")
        if dot:
            return any(self.meets(other, rest, value) for other in self._linked(resource, link, rest))
        written, _, modifier = name.partition(":")
        if written in COMPOSITES:
            return any(together(resource, written, one) for one in value.split(","))
        form, paths = PARAMETERS[kind][written]
        values = [each for path in paths for each in at(resource, path)]
        if written == "patient":  # its expression keeps what is, or may be, a Patient
            values = [each for each in values if not each["reference"].startswith("Group/")]
        if modifier == "missing":
            return bool(values) is (value == "false")
        fits = self._fits(written, form, modifier)
        met = any(fits(each, one) for each in values for one in value.split(","))
        return not met if modifier == "not" else met

    def _fits(self, name: str, form: str, modifier: str) -> Callable[[Value, str], bool]:
        if form == "reference":
            only = "Patient" if name == "patient" else modifier
            return lambda found, asked: self._refers(found, asked, only)
        if form == "string":
            return lambda found, asked: text_fits(found, asked, modifier)
        return {"token": token_fits, "date": date_fits, "instant": instant_fits, "quantity": quantity_fits}[form]

    def _refers(self, found: Json, asked: str, only: str) -> bool:
        text = str(found.get("reference", ""))
        local = re.fullmatch(r"([A-Za-z]+)/([A-Za-z0-9.\-]+)", text)
        if only and local and local[1] != only:
            return False
        asked = asked.removeprefix(f"{self.base}/")
        return text == asked or (local is not None and local[2] == asked)

    def _points(self, resource: Json, by: str, other: Json) -> bool:
        wanted = f"{other['resourceType']}/{other['id']}"
        return wanted in [each.get("reference") for path in PARAMETERS[resource["resourceType"]][by][1]
                          for each in at(resource, path)]  # fmt: skip

    def _linked(self, resource: Json, link: str, rest: str) -> Iterator[Json]:
        written, _, only = link.partition(":")
        first = re.split(r"[.:]", rest)[0]
        for (kind, _), other in self.stored.items():
            knows = first in PARAMETERS[kind] or first == "_has"
            if (not only or only == kind) and knows and self._points(resource, written, other):
                yield other


def together(resource: Json, name: str, asked: str) -> bool:
    """Both parts of a composite hold of one and the same element."""
    within, *parts = COMPOSITES[name]
    return any(
        all(
            any(_OF_PARTS[_PARTS[part][0]](found, one) for found in at(element, _PARTS[part][1]))
            for part, one in zip(parts, asked.split("$"), strict=True)
        )
        for element in (at(resource, within) if within else [resource])
    )


def token_fits(found: Value, asked: str) -> bool:
    """https://hl7.org/fhir/R4/search.html#token: code, system|code, |code or system|."""
    if isinstance(found, dict) and "coding" in found:
        return any(token_fits(each, asked) for each in found["coding"])
    if isinstance(found, dict):
        system, code = found.get("system", ""), found.get("code", found.get("value"))
    else:
        system, code = "", str(found).lower() if isinstance(found, bool) else found
    wanted, bar, rest = asked.partition("|")
    if not bar:
        return bool(code == asked)
    return system == wanted and (not rest or code == rest)


def folded(text: str) -> str:
    """Without case, accents and doubled spaces (https://hl7.org/fhir/R4/search.html#string)."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if unicodedata.category(c) != "Mn")
    return re.sub(r"\s+", " ", bare.casefold()).strip()


def text_fits(found: str, asked: str, modifier: str) -> bool:
    """The text begins with what is asked, has it anywhere, or is exactly that."""
    if modifier == "exact":
        return found == asked
    return folded(asked) in folded(found) if modifier == "contains" else folded(found).startswith(folded(asked))


_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d))?(?:\.(\d+))?(Z|[+-]\d\d:\d\d))?)?)?")


def covered(text: str) -> tuple[Span, Span, bool]:
    """Days and instants that a date covers, both ends included, and whether it names a time of day."""
    match = _DATE.fullmatch(text)
    assert match, text
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    first = date(int(year), int(month or 1), int(day or 1))
    last = first if day else date(int(year), int(month or 12), monthrange(int(year), int(month or 12))[1])
    if hour is None:
        start = datetime(first.year, first.month, first.day, tzinfo=UTC)
        end = datetime(last.year, last.month, last.day, tzinfo=UTC) + timedelta(days=1, microseconds=-1)
        return (first, last), (start, end), False
    start = datetime.fromisoformat(f"{first}T{hour}:{minute}:{second or '00'}.{(fraction or '0')[:6]:0<6}{zone}")
    width = timedelta(seconds=0 if fraction else 1) if second else timedelta(minutes=1)
    if fraction:
        width = timedelta(microseconds=10 ** (6 - len(fraction[:6])))
    return (first, first), (start, start + width - timedelta(microseconds=1)), True


def spans(found: Value) -> tuple[Span, Span]:
    """Days and instants of a stored date or Period; an end that is not there lies beyond all others."""
    if isinstance(found, str):
        return covered(found)[:2]
    start, end = (covered(found[each]) if each in found else None for each in ("start", "end"))
    ends = [
        (start[which][0] if start else None, end[which][1] if end else None)  # type: ignore[index]
        for which in (0, 1)
    ]
    return ends[0], ends[1]


def date_fits(found: Value, asked: str) -> bool:
    """https://hl7.org/fhir/R4/search.html#date and #prefix, on days or on instants."""
    prefix, rest = (asked[:2], asked[2:]) if asked[:2].isalpha() else ("eq", asked)
    days, instants, timed = covered(rest)
    which = 1 if timed else 0
    return holds(prefix, (days, instants)[which], spans(found)[which])


def instant_fits(found: Value, asked: str) -> bool:
    """As a date, but of instants only: what the server wrote was written on no local clock."""
    prefix, rest = (asked[:2], asked[2:]) if asked[:2].isalpha() else ("eq", asked)
    return holds(prefix, covered(rest)[1], covered(found)[1])


def holds(prefix: str, asked: Span, found: Span) -> bool:
    """What each prefix says of two ranges; None is an end that is open."""
    (lo, hi), (start, end) = asked, found
    above = end is None or end > hi
    below = start is None or start < lo
    contained = not above and not below
    return {
        "eq": contained,
        "ne": not contained,
        "gt": above,
        "lt": below,
        "ge": above or contained,
        "le": below or contained,
        "sa": start is not None and start > hi,
        "eb": end is not None and end < lo,
    }[prefix]


def quantity_fits(found: Json, asked: str) -> bool:
    """https://hl7.org/fhir/R4/search.html#quantity; a stored comparator leaves its end open."""
    number, system, code = asked.split("|")
    match = re.fullmatch(r"([a-z]{2})?(-?\d+(?:\.(\d+))?)", number)
    assert match, asked
    prefix, value = match[1] or "eq", Fraction(match[2])
    half = Fraction(1, 2 * 10 ** len(match[3] or ""))
    if "value" not in found or (system and found.get("system", "") != system):
        return False
    factor = Fraction(1)
    if code != found.get("code") and (system or code != found.get("unit")):
        if found.get("system") != UCUM or code not in METRES or found.get("code") not in METRES:
            return False
        factor = METRES[found["code"]] / METRES[code]
    stored = Fraction(str(found["value"])) * factor
    start = None if "<" in found.get("comparator", "") else stored
    end = None if ">" in found.get("comparator", "") else stored
    if prefix == "ap":
        lo, hi = value - abs(value) / 10, value + abs(value) / 10
        return (start is None or start <= hi) and (end is None or end >= lo)
    if prefix in ("eq", "ne"):
        inside = start is not None and end is not None and value - half <= start < value + half
        return inside is (prefix == "eq")
    return holds(prefix, (value, value), (start, end))


_OF_PARTS: dict[str, Callable[[Value, str], bool]] = {"token": token_fits, "quantity": quantity_fits}


def has_one(resource: Json, name: str) -> bool:
    """Whether a parameter has one value at most in a resource, so that its place in an order is certain."""
    form, paths = PARAMETERS[resource["resourceType"]][name]
    values = [each for path in paths for each in at(resource, path)]
    return len(values if form in ("date", "instant") else [code for each in values for code in codes(each)]) <= 1


def order_key(resource: Json, name: str) -> Any:
    """What orders by a parameter: the lowest of its values; none comes before all others."""
    form, paths = PARAMETERS[resource["resourceType"]][name]
    values = [each for path in paths for each in at(resource, path)]
    if form in ("date", "instant"):
        starts = [spans(each)[1][0] for each in values]
        return min(((1, 0.0) if s is None else (2, s.timestamp()) for s in starts), default=(0, 0.0))
    return min((folded(each) if form == "string" else code for each in values for code in codes(each)), default="")


def codes(found: Value) -> list[str]:
    """The codes or texts in an element."""
    if not isinstance(found, dict):
        return [str(found).lower() if isinstance(found, bool) else found]
    if "coding" in found:
        return [code for each in found["coding"] for code in codes(each)]
    return [found.get("code", found.get("value"))]
