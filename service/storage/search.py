"""A `Query` as SQL.

Observations are found in their own narrow table, all else, and the rarer parameters of Observation, in the general
index. Pages are keyset pages: the cursor holds the order key and the internal number of the last match, so a deep page
costs what the first one does, and a resource written meanwhile neither shifts nor repeats the others. The cursor also
holds the highest internal number when the first page was read: what was created later is not part of the search.
A resource whose own order key is changed meanwhile has a new place, which the reader may have passed already.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, func, literal, not_, or_, select, true

from service.errors import Invalid, Issue
from service.fhir.search_dates import OPEN_START, UNDATED
from service.fhir.search_parameters import Choice, Clause, Moment, Query, Text
from service.storage.stored import Page, Stored
from service.storage.tables import observation, resource, search_index

Condition = ColumnElement[bool]


def search(connection: Connection, query: Query) -> Page:
    """One page of matches. Raises `Invalid` for a cursor that does not belong to this search."""
    conditions, distinct = _conditions(query)
    order = _order(query)
    total = None
    if query.total or query.count == 0:
        keys = select(order.pk).where(*conditions)
        found = (keys.distinct() if distinct else keys).subquery()
        total = connection.execute(select(func.count()).select_from(found)).scalar_one()
    if query.count == 0:
        return Page((), total)
    cursor = _Cursor.read(query, order) if query.cursor else _Cursor.first(connection)
    keys = select(order.pk.label("pk"), order.key.label("key")).where(
        *conditions, order.created_by(cursor.top), *order.after(cursor)
    )
    keys = order.sorted(keys.distinct() if distinct else keys, order.key, order.pk).limit(query.count + 1)
    page = keys.subquery("page")
    rows = connection.execute(
        order.sorted(select(resource, page.c.key).join(page, resource.c.pk == page.c.pk), page.c.key, page.c.pk)
    ).all()
    matches = tuple(Stored.of(query.type, row.id, row) for row in rows[: query.count])
    more = len(rows) > query.count
    last = rows[query.count - 1] if more else None
    return Page(matches, total, _Cursor(last.key, last.pk, cursor.top).write(query) if last else None)


@dataclass(frozen=True, slots=True)
class _Order:
    """What orders the matches: a key, then the internal number, both in the same direction."""

    key: ColumnElement[Any]
    pk: ColumnElement[int]
    descending: bool
    textual: bool = False

    def sorted(self, query: Select[Any], key: ColumnElement[Any], pk: ColumnElement[int]) -> Select[Any]:
        if self.descending:
            return query.order_by(key.desc(), pk.desc())
        return query.order_by(key, pk)

    def created_by(self, top: int) -> Condition:
        """What was there when the first page was read; the sum keeps the planner from walking by number."""
        return self.pk + 0 <= top

    def after(self, cursor: _Cursor) -> tuple[Condition, ...]:
        """The rows behind the cursor. Both databases seek by this form; by the textbook form they scan."""
        if cursor.pk is None:
            return ()
        if self.descending:
            return self.key <= cursor.key, or_(self.key < cursor.key, self.pk < cursor.pk)
        return self.key >= cursor.key, or_(self.key > cursor.key, self.pk > cursor.pk)


def _order(query: Query) -> _Order:
    of_observations = query.type == "Observation"
    pk = observation.c.pk if of_observations else resource.c.pk
    if of_observations and query.sort in ("", "date"):
        return _Order(observation.c.start, pk, query.descending or not query.sort)
    if not query.sort:
        return _Order(pk, pk, descending=False)
    if query.sort in ("_id", "_lastUpdated"):
        column: ColumnElement[Any] = resource.c.id if query.sort == "_id" else resource.c.updated
        if of_observations:
            column = select(column).where(resource.c.pk == pk).scalar_subquery()
        return _Order(column, pk, query.descending, textual=query.sort == "_id")
    row = search_index.c
    earliest = select(func.min(row.lo)).where(row.pk == pk, row.parameter == query.sort).scalar_subquery()
    return _Order(func.coalesce(earliest, UNDATED), pk, query.descending)


@dataclass(frozen=True, slots=True)
class _Cursor:
    """Where the next page begins: behind (`key`, `pk`), among resources numbered up to `top`."""

    key: int | str | None
    pk: int | None
    top: int

    @classmethod
    def first(cls, connection: Connection) -> _Cursor:
        return cls(None, None, connection.execute(select(func.coalesce(func.max(resource.c.pk), 0))).scalar_one())

    def write(self, query: Query) -> str:
        order = ("-" if query.descending else "") + query.sort
        plain = json.dumps([query.type, order, self.key, self.pk, self.top]).encode()
        return base64.urlsafe_b64encode(plain).rstrip(b"=").decode()

    @classmethod
    def read(cls, query: Query, order: _Order) -> _Cursor:
        try:
            padded = query.cursor.encode("ascii") + b"=" * (-len(query.cursor) % 4)
            kind, name, key, pk, top = json.loads(base64.b64decode(padded, b"-_", validate=True))
        except (ValueError, TypeError):
            raise _foreign_cursor(query) from None
        right = (query.type, ("-" if query.descending else "") + query.sort) == (kind, name)
        whole = all(isinstance(number, int) and abs(number) < 2**63 for number in (pk, top))
        if not (right and whole and isinstance(key, str if order.textual else int)):
            raise _foreign_cursor(query)
        return cls(key, pk, top)


def _foreign_cursor(query: Query) -> Invalid:
    message = "This is no cursor of this search; follow the link to the next page as it was given."
    return Invalid(Issue("invalid", message, where="_cursor", value=query.cursor, rule="search-value"))


def _conditions(query: Query) -> tuple[list[Condition], bool]:
    """The conditions, and whether they can find one resource twice."""
    if query.type != "Observation":
        own = [resource.c.type == query.type, resource.c.deleted.is_(False)]
        return own + [_condition(query.type, clause, resource.c.pk) for clause in query.clauses], False
    conditions: list[Condition] = []
    ranks = {"code": observation.c.code_rank, "category": observation.c.category_rank}
    distinct = False
    for clause in query.clauses:
        name = clause.parameter.name
        if name in ranks and not clause.negated and clause.missing is None:
            del ranks[name]
            conditions.append(_CODED[name](clause.choices))
            distinct = distinct or not _names_one_coding(clause)
        else:
            conditions.append(_observation_condition(clause))
    # A search that names no coding takes the first one, so that it meets each Observation once.
    conditions += [rank == 0 for rank in ranks.values()]
    return conditions, distinct


def _names_one_coding(clause: Clause) -> bool:
    (first, *others) = clause.choices
    return not others and isinstance(first, Choice) and first.qualifier is not None and first.value is not None


def _coded(system: ColumnElement[str], code: ColumnElement[str]) -> Callable[[Iterable[Any]], Condition]:
    def condition(choices: Iterable[Any]) -> Condition:
        return or_(*(_pair(choice, system, code) for choice in choices))

    return condition


def _pair(choice: Choice, qualifier: ColumnElement[str], value: ColumnElement[str]) -> Condition:
    parts = []
    if choice.value is not None:
        parts.append(value == choice.value)
    if choice.qualifier is not None:
        parts.append(qualifier == choice.qualifier)
    return and_(true(), *parts)


_CODED = {
    "code": _coded(observation.c.system, observation.c.code),
    "category": _coded(observation.c.category_system, observation.c.category),
}
_PRESENT = {
    "code": (observation.c.system != "") | (observation.c.code != ""),
    "category": (observation.c.category_system != "") | (observation.c.category != ""),
    "status": observation.c.status != "",
    "date": observation.c.start != UNDATED,
    "patient": observation.c.patient != "",
    "subject": observation.c.patient != "",
    "encounter": observation.c.encounter != "",
}
_LINKS = {
    "patient": ("Patient", observation.c.patient),
    "subject": ("Patient", observation.c.patient),
    "encounter": ("Encounter", observation.c.encounter),
}


def _observation_condition(clause: Clause) -> Condition:
    name, pk = clause.parameter.name, observation.c.pk
    if name not in _PRESENT:
        return _condition("Observation", clause, pk)
    if clause.missing is not None:
        here = _PRESENT[name]
        if name in _LINKS:
            here = or_(here, pk.in_(_general("Observation", name, true())))
        return not_(here) if clause.missing else here
    if name in _LINKS:
        return or_(*(_link(name, choice) for choice in clause.choices if isinstance(choice, Choice)))
    if name == "date":
        columns = observation.c
        return or_(
            *(
                _dated(choice, (columns.start, columns.end), (columns.first_day, columns.last_day))
                for choice in clause.choices
                if isinstance(choice, Moment)
            )
        )
    if name == "status":
        fits = _coded(literal(""), observation.c.status)(clause.choices)
        return not_(fits) if clause.negated else fits
    other = observation.alias()
    coded = {"code": (other.c.system, other.c.code), "category": (other.c.category_system, other.c.category)}[name]
    having = pk.in_(select(other.c.pk).where(_coded(*coded)(clause.choices)))
    return not_(having) if clause.negated else having


def _link(name: str, choice: Choice) -> Condition:
    """A reference that the narrow row holds if it is local and of the usual type, else the general index."""
    kind, column = _LINKS[name]
    if choice.qualifier == kind:
        return column == choice.value
    general = observation.c.pk.in_(_general("Observation", name, _general_choice(choice)))
    return general if choice.qualifier is not None else or_(column == choice.value, general)


def _condition(kind: str, clause: Clause, pk: ColumnElement[int]) -> Condition:
    name = clause.parameter.name
    if name in ("_id", "_lastUpdated"):
        fits = _of_the_store(name, clause)
        found = pk.in_(select(resource.c.pk).where(resource.c.type == kind, fits))
    elif clause.missing is not None:
        found = pk.in_(_general(kind, name, true()))
        return not_(found) if clause.missing else found
    else:
        found = pk.in_(_general(kind, name, or_(*(_general_choice(choice) for choice in clause.choices))))
    return not_(found) if clause.negated else found


def _of_the_store(name: str, clause: Clause) -> Condition:
    if clause.missing is not None:
        return not_(true()) if clause.missing else true()
    if name == "_id":
        return resource.c.id.in_([choice.value for choice in clause.choices if isinstance(choice, Choice)])
    at = resource.c.updated
    moments = [choice for choice in clause.choices if isinstance(choice, Moment)]
    return or_(*(_compare(one.prefix, (one.wanted.lo, one.wanted.hi), (at, at)) for one in moments))


def _general(kind: str, name: str, condition: ColumnElement[bool]) -> Select[Any]:
    row = search_index.c
    return select(row.pk).where(row.type == kind, row.parameter == name, condition)


def _general_choice(choice: Choice | Text | Moment) -> Condition:
    row = search_index.c
    if isinstance(choice, Moment):
        dated = _dated(choice, (row.lo, row.hi), (row.first_day, row.last_day))
        return and_(row.lo.is_not(None), dated)
    if isinstance(choice, Choice):
        return and_(row.lo.is_(None), _pair(choice, row.qualifier, row.value))
    if choice.how == "exact":
        return and_(row.lo.is_(None), row.qualifier == choice.value)
    if choice.how == "contains":
        return and_(row.lo.is_(None), row.value.contains(choice.value, autoescape=True))
    end = choice.value + "\U0010ffff"
    return and_(row.lo.is_(None), row.value >= choice.value, row.value < end)


_Span = tuple[ColumnElement[int], ColumnElement[int]]
_SLACK = 2 * 86_400_000_000
"""Two days: no two clocks on earth are further apart."""


def _dated(choice: Moment, instants: _Span, days: _Span) -> Condition:
    wanted = choice.wanted
    if wanted.timed:
        return and_(instants[0] >= OPEN_START, _compare(choice.prefix, (wanted.lo, wanted.hi), instants))
    by_day = _compare(choice.prefix, (wanted.first, wanted.last), days)
    # Days decide; the instants, a little wider on either side, are there for the index on them.
    return and_(instants[0] >= OPEN_START, by_day, *_bounds(choice, instants[0]))


def _bounds(choice: Moment, start: ColumnElement[int]) -> list[Condition]:
    wanted, bounds = choice.wanted, []
    if choice.prefix in ("eq", "sa"):
        bounds.append(start >= wanted.lo - _SLACK)
    if choice.prefix in ("eq", "le", "lt", "eb"):
        bounds.append(start <= wanted.hi + _SLACK)
    return bounds


def _compare(prefix: str, wanted: tuple[int, int], found: _Span) -> Condition:
    """`search_dates.holds`, in SQL."""
    (lo, hi), (start, end) = wanted, found
    width = hi - lo + 1
    inside = and_(start >= lo, end <= hi)
    return {
        "eq": inside,
        "ne": not_(inside),
        "gt": end > hi,
        "lt": start < lo,
        "ge": or_(end > hi, inside),
        "le": or_(start < lo, inside),
        "sa": start > hi,
        "eb": end < lo,
        "ap": and_(start <= hi + width, end >= lo - width),
    }[prefix]
