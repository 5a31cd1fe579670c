"""What an export is asked for, as HL7's Bulk Data Access 3.0.0 says it (https://hl7.org/fhir/uv/bulkdata/)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from urllib.parse import parse_qsl

from service.domain.actor import Actor
from service.errors import Invalid, Issue, Malformed
from service.fhir.compartment import OF_NOBODY, kinds_of_a_record
from service.fhir.definitions import SERVED_TYPES
from service.fhir.operations import READ_ONLY
from service.fhir.search_dates import interval
from service.fhir.search_parameters import Linked, Query, Reverse, parse
from service.fhir.subset import View, view_of
from service.fhir.text import Json

Pairs = Sequence[tuple[str, str]]
SYSTEM, PATIENT, GROUP = "", "Patient", "Group"
"""Of what an export is: the whole record, every patient's, that of the patients in a group."""
NDJSON = "application/fhir+ndjson"
_FORMATS = (NDJSON, "application/ndjson", "ndjson")
_SEVERAL = ("_type", "_typeFilter", "_elements", "patient")
_ONCE = ("_since", "_until", "_outputFormat")
_FILTER = re.compile(r"([A-Za-z]+)\?(.+)")
_NEXT_FILTER = re.compile(r",(?=[A-Z][A-Za-z]+\?)")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)")
_REFERENCE = re.compile(r"(?:Patient/)?([A-Za-z0-9\-.]{1,64})")
_VALUES = ("valueString", "valueInstant", "valueCode", "valueUri", "valueDateTime", "valueReference")


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wanted. `level` is one of `SYSTEM`, `PATIENT`, `GROUP`; `since` and `until` are microseconds since 1970.

    `filters` are searches as written (`Observation?status=final`), `elements` as written too. `patients` are ids; None
    where nobody in particular is meant.
    """

    level: str
    kinds: tuple[str, ...] = ()
    since: int | None = None
    until: int | None = None
    filters: tuple[str, ...] = ()
    elements: tuple[str, ...] = ()
    patients: tuple[str, ...] | None = None

    def queries(self, kind: str) -> list[Query]:
        """The searches of which one must find a resource of a type; empty where all are wanted."""
        return [query for query in map(_query, self.filters) if query.type == kind]

    def view(self, kind: str) -> View:
        """What of each resource of a type is wanted."""
        own = [name for name in self.elements if not _is_of_another(name, kind)]
        return view_of(kind, "", ",".join(own)) if own else View()


@dataclass(frozen=True, slots=True)
class Job:
    """Who asked for what, and how it was written. `moment` is what the manifest gives as transactionTime."""

    wish: Wish
    actor: Actor
    request: str
    moment: int


def pairs_in(body: Json) -> list[tuple[str, str]]:
    """Names and values of a Parameters resource. Raises `Malformed` with the place of what cannot be read."""
    listed = body.get("parameter", [])
    if body.get("resourceType") != "Parameters" or not isinstance(listed, list):
        raise Malformed(Issue("structure", "The body is a Parameters resource.", "Parameters"))
    pairs = []
    for number, part in enumerate(listed):
        place = f"Parameters.parameter[{number}]"
        values = [part[key] for key in _VALUES if key in part] if isinstance(part, dict) else []
        value = values[0].get("reference") if values and isinstance(values[0], dict) else "".join(map(str, values[:1]))
        if not isinstance(part, dict) or not isinstance(part.get("name"), str) or len(values) != 1 or not value:
            raise Malformed(Issue("required", "A parameter has a name and one value.", place, "", "", "a text"))
        pairs.append((part["name"], value))
    return pairs


def read_wish(level: str, pairs: Pairs, *, lenient: bool = False) -> Wish:
    """What the parameters of a request ask for. Raises `Malformed`.

    `lenient` passes over parameters and types that are not known. Types are left empty where none were named; they are
    not checked against what the person may see.
    """
    unknown = [name for name, _ in pairs if name not in (*_SEVERAL, *_ONCE)]
    if unknown and not lenient:
        expected = ", ".join((*_SEVERAL, *_ONCE))
        raise Malformed(*(_bad(name, "", "The parameter is not known here.", expected) for name in unknown))
    for name in _ONCE:
        if sum(one == name for one, _ in pairs) > 1:
            raise Malformed(_bad(name, "", "The parameter is given once."))
    once = dict(pairs)
    if once.get("_outputFormat", NDJSON).replace(" ", "+") not in _FORMATS:
        raise Malformed(_bad("_outputFormat", once["_outputFormat"], "Files are not written so.", NDJSON))
    patients = tuple(dict.fromkeys(map(_patient, _listed(pairs, "patient"))))
    if patients and level == SYSTEM:
        message = "Patients are named for an export of patients, at /fhir/Patient/$export or of a Group."
        raise Malformed(_bad("patient", patients[0], message))
    filters = [each for value in _of(pairs, "_typeFilter") for each in _NEXT_FILTER.split(value)]
    wish = Wish(
        level, tuple(_kinds(level, pairs, lenient)), _instant(once, "_since"), _instant(once, "_until"),
        tuple(filters), tuple(_listed(pairs, "_elements")), patients or None,
    )  # fmt: skip
    return _checked(wish)


def kinds_at(level: str) -> tuple[str, ...]:
    """The types that an export gives where none are named: for patients, what can belong to one."""
    return kinds_of_a_record() if level else tuple(kind for kind in SERVED_TYPES if kind not in READ_ONLY)


def _kinds(level: str, pairs: Pairs, lenient: bool) -> Iterator[str]:
    known = {*kinds_at(level), *OF_NOBODY}
    for kind in dict.fromkeys(_listed(pairs, "_type")):
        if kind in known:
            yield kind
        elif not lenient:
            message = "Nothing of this type is exported here."
            raise Malformed(_bad("_type", kind, message, ", ".join(sorted(known))))


def _checked(wish: Wish) -> Wish:
    """The wish, if its searches can be asked and its elements exist."""
    kinds = wish.kinds or kinds_at(wish.level)
    try:
        for query in map(_query, wish.filters):
            if wish.kinds and query.type not in wish.kinds:
                raise Malformed(_bad("_typeFilter", query.type, "Its type is not among those of _type."))
        views = [wish.view(kind) for kind in kinds]
    except Invalid as error:
        raise Malformed(*(replace(issue, where=f"http.{issue.where}") for issue in error.issues)) from error
    for name in wish.elements:
        plain = name.rpartition(".")[2]
        if not any(plain in view.elements or name in view.elements for view in views):
            raise Malformed(_bad("_elements", name, "No type that is exported has this element."))
    return wish


def _query(written: str) -> Query:
    """One search. Raises `Malformed` for one that cannot be asked of a resource by itself."""
    found = _FILTER.fullmatch(written)
    if found is None or found[1] not in SERVED_TYPES or found[1] in READ_ONLY:
        expected = "Type?parameter=value, as in Observation?status=final"
        raise Malformed(_bad("_typeFilter", written, "This is no search of a type that is kept here.", expected))
    try:
        query = parse(found[1], parse_qsl(found[2], keep_blank_values=True, errors="strict"))
    except (Invalid, UnicodeDecodeError) as error:
        raise Malformed(_bad("_typeFilter", written, f"This search cannot be asked: {error}.")) from error
    plain = Query(query.type, query.clauses, used=query.used)
    reaching = any(isinstance(choice, Linked | Reverse) for each in query.clauses for choice in each.choices)
    if query != plain or reaching or not query.clauses:
        message = "A filter says which resources are meant, by what stands in them; it neither sorts nor joins."
        raise Malformed(_bad("_typeFilter", written, message))
    return query


def _is_of_another(name: str, kind: str) -> bool:
    """Whether an element is named with another type, or without one and the type has none of that name."""
    of, dot, _ = name.rpartition(".")
    if dot:
        return of != kind
    try:
        view_of(kind, "", name)
    except Invalid:
        return True
    return False


def _patient(written: str) -> str:
    found = _REFERENCE.fullmatch(written)
    if found is None:
        raise Malformed(_bad("patient", written, "This is no patient of this record.", "Patient/1"))
    return found[1]


def _instant(once: dict[str, str], name: str) -> int | None:
    """A moment in microseconds. A plus sign in a query stands for a space, and many clients forget that."""
    written = once.get(name)
    if written is None:
        return None
    given = written.replace(" ", "+")
    try:
        if _INSTANT.fullmatch(given):
            return interval(given).lo
    except ValueError:
        pass  # said below, with what is expected
    raise Malformed(_bad(name, written, "This is no instant.", "2026-03-01T00:00:00Z"))


def _of(pairs: Pairs, name: str) -> Iterable[str]:
    return (value for one, value in pairs if one == name)


def _listed(pairs: Pairs, name: str) -> Iterable[str]:
    """The values of a parameter that may be repeated, or list several."""
    return [part.strip() for value in _of(pairs, name) for part in value.split(",") if part.strip()]


def _bad(name: str, value: str, message: str, expected: str = "") -> Issue:
    return Issue("not-supported" if not value else "invalid", message, f"http.{name}", value, "bulk-data", expected)
