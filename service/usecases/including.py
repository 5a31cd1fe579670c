"""What comes along with the matches of a search: what they refer to, and what refers to them.

What the person may not see does not come along, and leads no further.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace

from service.domain.actor import Actor
from service.errors import Issue, TooLarge
from service.fhir.search_parameters import Choice, Clause, Include, Query, parameters_of
from service.fhir.search_paths import found, references
from service.fhir.search_query import LARGEST_PAGE
from service.storage.records import Reader, Stored
from service.usecases.doors import kept_within, may_see

Key = tuple[str, str]
MOST_INCLUDED = 5000
_CHUNK = 100


def along(reader: Reader, actor: Actor, includes: tuple[Include, ...], matches: Collection[Stored]) -> list[Stored]:
    """What comes along with the matches, each once. Raises `TooLarge`, and `Forbidden` for a type that is closed."""
    known = {(one.type, one.id) for one in matches}
    included: dict[Key, Stored] = {}
    wave, wanted = list(matches), includes
    while wave and wanted:
        fresh: dict[Key, Stored] = {}
        for include in wanted:
            met = _referring(reader, actor, include, wave) if include.reverse else _referred(reader, include, wave)
            fresh |= {(one.type, one.id): one for one in met if (one.type, one.id) not in known}
            if len(included) + len(fresh) > MOST_INCLUDED:
                message = "More would come along with these matches than one page holds."
                expected = f"at most {MOST_INCLUDED}; fewer matches a page bring fewer along"
                raise TooLarge(Issue("too-costly", message, "_include", expected=expected))
        wave = [one for one in fresh.values() if may_see(actor, one)]
        included |= {(one.type, one.id): one for one in wave}
        known |= fresh.keys()
        wanted = tuple(include for include in includes if include.iterate)
    return list(included.values())


def _referred(reader: Reader, include: Include, wave: Iterable[Stored]) -> list[Stored]:
    """What these refer to."""
    sources = [one for one in wave if one.type == include.source or not include.by]
    keys = {pair for one in sources for pair in _references(one, include.by)}
    return reader.several({(kind, ident) for kind, ident in keys if kind and include.target in ("", kind)})


def _references(stored: Stored, by: str) -> Iterator[Key]:
    resource = stored.resource
    for parameter in parameters_of(stored.type).values():
        if parameter.kind == "reference" and by in ("", parameter.name):
            for path in parameter.paths:
                yield from (pair for value in found(resource, path) for pair in references(value))


def _referring(reader: Reader, actor: Actor, include: Include, wave: Iterable[Stored]) -> Iterator[Stored]:
    """What refers to these."""
    parameter = parameters_of(include.source)[include.by]
    reached = [one for one in wave if include.target in ("", one.type)]
    targets = [one for one in reached if not parameter.targets or one.type in parameter.targets]
    for start in range(0, len(targets), _CHUNK):
        choices = tuple(Choice(one.type, one.id) for one in targets[start : start + _CHUNK])
        query = Query(include.source, (Clause(parameter, choices),), count=LARGEST_PAGE)
        yield from _all_of(reader, kept_within(actor, query))


def _all_of(reader: Reader, query: Query) -> Iterator[Stored]:
    """The matches of a query, up to more than can come along."""
    seen, cursor = 0, ""
    while seen <= MOST_INCLUDED:
        page = reader.search(replace(query, cursor=cursor))
        yield from page.matches
        seen += len(page.matches)
        if page.next is None:
            return
        cursor = page.next
