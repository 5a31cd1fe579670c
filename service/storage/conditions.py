"""The clauses of a `Query` as conditions in SQL.

Observations are found in their own narrow table; all else, and the rarer parameters of Observation, in the general
index. There one clause, the one that should find fewest, lists its resources (`IN`); every other one is then looked up
for each resource in hand (`EXISTS`), which needs no more than the key of the general index.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial

from service.fhir.search_dates import UNDATED
from service.fhir.search_parameters import (
    Choice,
    Clause,
    Linked,
    Moment,
    Query,
    Reverse,
    Together,
)
from service.fhir.search_query import Wanted
from service.fhir.search_table import COMBO, COMPONENT, in_components
from service.storage.comparisons import compare, dated, pair, pairs, row_condition
from service.storage.components import of_components
from service.storage.sql import FALSE, TRUE, Sql, apart, both, either, equals, negated, one_of


def conditions_of(query: Query) -> tuple[Sql, bool]:
    """The condition on `observation` or `resource`, and whether it can meet one resource twice."""
    if query.type == "Observation":
        return _of_observations(query)
    own = Sql("type = ? AND deleted = ?", (query.type, False))
    leading = _leading(query.clauses)
    parts = [own, *(_condition(query.type, clause, clause is leading) for clause in query.clauses)]
    parts += _bounds_of(query, lambda clause: _condition(query.type, clause))
    return both(parts), False


def _bounds_of(query: Query, condition: Callable[[Clause], Sql]) -> Iterator[Sql]:
    """What the person may see, and the compartment that is searched."""
    if query.within:
        yield either(both(condition(clause) for clause in row) for row in query.within)
    if query.among:
        yield either(condition(clause) for clause in query.among)


_FEWEST_FIRST = (
    "identifier", "patient", "subject", "reference", "uri", "string", "quantity", "number", "date", "token",
)  # fmt: skip


def _leading(clauses: Iterable[Clause]) -> Clause | None:
    """The clause that should find fewest, by what is usual for a parameter of its name or kind."""
    able = [
        clause
        for clause in clauses
        if not clause.negated and clause.missing is None and clause.parameter.paths and not _reaching(clause)
    ]

    def rank(clause: Clause) -> int:
        name, kind = clause.parameter.name, clause.parameter.kind
        return _FEWEST_FIRST.index(name if name in _FEWEST_FIRST[:3] else kind)

    return min(able, key=rank, default=None)


_CODED = {"code": ("system", "code"), "category": ("category_system", "category")}
_LINKS = {"patient": ("Patient", "patient"), "subject": ("Patient", "patient"), "encounter": ("Encounter", "encounter")}
_NARROWING = frozenset({"patient", "subject", "encounter", "code"})
"""Parameters that leave few enough Observations to look each one up in the general index."""
_PRESENT = {
    "code": Sql("system <> '' OR code <> ''"),
    "category": Sql("category_system <> '' OR category <> ''"),
    "status": Sql("status <> ''"),
    "date": Sql(f'"start" <> {UNDATED}'),
    "patient": Sql("patient <> ''"),
    "subject": Sql("patient <> ''"),
    "encounter": Sql("encounter <> ''"),
}


def _of_observations(query: Query) -> tuple[Sql, bool]:
    parts: list[Sql] = []
    ranks = {"code": Sql("code_rank = 0"), "category": Sql("category_rank = 0")}
    narrowed = any(clause.parameter.name in _NARROWING for clause in query.clauses)
    general = (c for c in query.clauses if c.parameter.name not in _PRESENT and not in_components(c.parameter.name))
    leading = None if narrowed else _leading(general)
    distinct = False
    for clause in query.clauses:
        name = clause.parameter.name
        if name in ranks and not clause.negated and clause.missing is None:
            del ranks[name]
            parts.append(pairs(clause, *_CODED[name]))
            distinct = distinct or not _names_one_coding(clause)
        else:
            parts.append(_observation(clause, clause is leading))
    parts += _bounds_of(query, _observation)
    # A search that names no coding takes the first one, so that it meets each Observation once.
    return both([*parts, *ranks.values()]), distinct


def _names_one_coding(clause: Clause) -> bool:
    (first, *others) = clause.choices
    return not others and isinstance(first, Choice) and first.qualifier is not None and first.value is not None


def _observation(clause: Clause, leads: bool = False) -> Sql:
    name = clause.parameter.name
    if in_components(name):
        return _combined(clause) if name.startswith(COMBO) else of_components(clause)
    if name not in _PRESENT or _reaching(clause):
        return _condition("Observation", clause, leads)
    if clause.missing is not None:
        here = either([_PRESENT[name], _general("Observation", name, TRUE)]) if name in _LINKS else _PRESENT[name]
        return negated(here) if clause.missing else here
    if name in _LINKS:
        return either(_link(name, choice) for choice in clause.choices if isinstance(choice, Choice))
    if name == "date":
        moments = (choice for choice in clause.choices if isinstance(choice, Moment))
        having = either(dated(choice, '"start"', '"end"') for choice in moments)
    elif name == "status":
        having = either(pair(choice, "''", "status") for choice in clause.choices if isinstance(choice, Choice))
    else:
        other = pairs(clause, *_CODED[name])
        having = Sql(f"pk IN (SELECT pk FROM observation WHERE {other.text})", other.values)  # noqa: S608
    return negated(having) if clause.negated else having


def _combined(clause: Clause) -> Sql:
    """The Observation itself, or one of its components, meets a clause."""
    plain = replace(clause, negated=False, missing=None if clause.missing is None else False)
    met = either([_observation(_renamed(plain, "")), of_components(_renamed(plain, COMPONENT))])
    return negated(met) if clause.negated or clause.missing else met


def _renamed(clause: Clause, start: str) -> Clause:
    """A clause of a combination as one of the Observation itself (`start` is empty), or of its components."""
    choices = tuple(
        Together(tuple(_renamed(part, start) for part in choice.clauses)) if isinstance(choice, Together) else choice
        for choice in clause.choices
    )
    name = start + clause.parameter.name.removeprefix(COMBO)
    return replace(clause, parameter=replace(clause.parameter, name=name), choices=choices)


def _link(name: str, choice: Choice) -> Sql:
    """A reference that the narrow row holds if it is local and of the usual type, else the general index."""
    kind, column = _LINKS[name]
    if choice.qualifier == kind:
        return equals(column, choice.value)
    general = _general("Observation", name, row_condition(choice))
    return general if choice.qualifier is not None else either([equals(column, choice.value), general])


def _condition(kind: str, clause: Clause, leads: bool = False) -> Sql:
    name = clause.parameter.name
    if _reaching(clause):
        return either(_reached(kind, name, choice) for choice in clause.choices)
    if name in ("_id", "_lastUpdated"):
        found = _of_the_store(kind, clause)
    elif clause.missing is not None:
        having = _general(kind, name, TRUE)
        return negated(having) if clause.missing else having
    else:
        found = _general(kind, name, either(row_condition(choice) for choice in clause.choices), leads)
    return negated(found) if clause.negated else found


def _of_the_store(kind: str, clause: Clause) -> Sql:
    if clause.missing is not None:
        return FALSE if clause.missing else TRUE
    if clause.parameter.name == "_id":
        # An id has no system.
        named = [one.value for one in clause.choices if isinstance(one, Choice) and not one.qualifier and one.value]
        fits = one_of("id", named)
    else:
        moments = [choice for choice in clause.choices if isinstance(choice, Moment)]
        fits = either(compare(one.prefix, (one.wanted.lo, one.wanted.hi), "updated", "updated") for one in moments)
    return Sql(f"pk IN (SELECT pk FROM resource WHERE type = ? AND ({fits.text}))", (kind, *fits.values))  # noqa: S608


def _general(kind: str, name: str, fits: Sql, leads: bool = False) -> Sql:
    """The resources with such a row in the general index: listed if this clause leads, else looked up one by one."""
    rows = f"FROM search_index s WHERE s.type = ? AND s.parameter = ? AND ({fits.text})"
    table = "observation" if kind == "Observation" else "resource"
    if leads:
        return Sql(f"pk IN (SELECT s.pk {rows})", (kind, name, *fits.values))
    return Sql(f"EXISTS (SELECT 1 {rows} AND s.pk = {table}.pk)", (kind, name, *fits.values))


def _reaching(clause: Clause) -> bool:
    """Whether a clause is about more than one row of the index."""
    return any(isinstance(choice, (Linked, Reverse, Together)) for choice in clause.choices)


def _reached(kind: str, name: str, choice: Wanted) -> Sql:
    if isinstance(choice, Together):
        read = _observation if kind == "Observation" else partial(_condition, kind)
        return both(read(clause) for clause in choice.clauses)
    if isinstance(choice, Reverse):
        return _pointed_at(kind, choice)
    if isinstance(choice, Linked):
        return _points_at(kind, name, choice.query)
    raise TypeError(f"{choice} is about one row")


def _points_at(kind: str, name: str, query: Query) -> Sql:
    """The reference of that name points at a resource that the query finds."""
    found = apart(_keys(query, "id"))
    if kind == "Observation" and _LINKS.get(name, ("",))[0] == query.type:
        return Sql(f"{_LINKS[name][1]} IN ({found.text})", found.values)
    pointing = Sql(f"s.lo IS NULL AND s.qualifier = ? AND s.value IN ({found.text})", (query.type, *found.values))
    return _general(kind, name, pointing)


def _pointed_at(kind: str, choice: Reverse) -> Sql:
    """A resource that the query finds has this one as its reference of that name."""
    query, by = choice.query, choice.by
    if query.type == "Observation" and _LINKS.get(by, ("",))[0] == kind:
        where, _ = conditions_of(query)
        found = apart(Sql(f"SELECT {_LINKS[by][1]} FROM observation WHERE {where.text}", where.values))  # noqa: S608
    else:
        of = apart(_keys(query, "pk"))
        rows = "s.type = ? AND s.parameter = ? AND s.qualifier = ? AND s.lo IS NULL"
        text = f"SELECT s.value FROM search_index s WHERE {rows} AND s.pk IN ({of.text})"  # noqa: S608
        found = apart(Sql(text, (query.type, by, kind, *of.values)))
    if kind != "Observation":
        return Sql(f"id IN ({found.text})", found.values)
    of_observations = f"SELECT r.pk FROM resource r WHERE r.type = 'Observation' AND r.id IN ({found.text})"  # noqa: S608
    return Sql(f"pk IN ({of_observations})", found.values)


def _keys(query: Query, column: str) -> Sql:
    """The ids, or internal numbers, of what a query finds."""
    where, _ = conditions_of(query)
    if query.type != "Observation":
        return Sql(f"SELECT {column} FROM resource WHERE {where.text}", where.values)  # noqa: S608
    found = f"SELECT pk FROM observation WHERE {where.text}"  # noqa: S608
    if column == "pk":
        return Sql(found, where.values)
    return Sql(f"SELECT r.{column} FROM resource r WHERE r.pk IN ({found})", where.values)  # noqa: S608
