"""SearchParameters as resources: our own, and those of R4 that are answered here."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.definitions import DEFINITION_TYPES, SERVED_TYPES, SearchParameter, search_parameters
from service.fhir.published import definition
from service.fhir.search_table import OWN, Own, parameters_of
from service.fhir.text import Json

R4_VERSION = "4.0.1"


def own_search_parameters() -> list[Json]:
    """What R4 cannot be asked, and this record can."""
    return [_own(each) for each in OWN]


def _own(own: Own) -> Json:
    made = definition(
        "SearchParameter", own.id, "", f"{own.meaning} R4 has no such parameter.",
        code=own.name, base=[own.base], type=own.kind, expression=own.expression,
    )  # fmt: skip
    del made["title"]  # R4 has no title of a search parameter
    return made


def used_search_parameters() -> list[Json]:
    """The search parameters of R4 that this server answers for at least one type, as R4 defines them."""
    found = {each.url: each for each in _used()}
    return [_of_standard(each) for _, each in sorted(found.items())]


def _used() -> Iterator[SearchParameter]:
    for kind in (*SERVED_TYPES, *DEFINITION_TYPES):
        standard = search_parameters(kind)
        yield from (standard[name] for name in parameters_of(kind) if name in standard)


def _of_standard(one: SearchParameter) -> Json:
    made: Json = {
        "resourceType": "SearchParameter",
        "id": one.url.rpartition("/")[2],
        "url": one.url,
        "version": R4_VERSION,
        "name": one.code,
        "status": "active",
        "publisher": "HL7 International",
        "description": one.description,
        "code": one.code,
        "base": list(one.base),
        "type": one.type,
    }
    more = {"expression": one.expression, "target": one.target, "comparator": one.comparator, "modifier": one.modifier}
    made |= {name: list(value) if isinstance(value, tuple) else value for name, value in more.items() if value}
    if one.components:
        made["component"] = [{"definition": url, "expression": part} for url, part in one.components]
    return made
