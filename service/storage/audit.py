"""Reading what was written down: who did what, and when."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, false, func, or_, select, true, tuple_

from service.domain.actor import Actor
from service.errors import Invalid, Issue, NotFound
from service.fhir.search_dates import micros, moment
from service.fhir.search_parameters import Choice, Clause, Moment, Query
from service.storage.audit_chain import CHANGES
from service.storage.audit_tables import event, event_patient

_ID = re.compile(r"([0-9]{1,9})-([0-9]{1,18})")
_SAID = {
    "C": ("create", "visit", "orthosis-events"),
    "R": ("read", "vread", "history"),
    "U": ("update",),
    "D": ("delete",),
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One event with its place: `number` is its chain and its position in it. See `Event` for the rest."""

    number: tuple[int, int]
    at: datetime
    actor: Actor
    act: str
    type: str
    id: str
    version: int
    patients: tuple[str, ...]
    outcome: str
    query: str

    @property
    def key(self) -> str:
        """The id of the AuditEvent that it is served as."""
        return f"{self.number[0]}-{self.number[1]}"


@dataclass(frozen=True, slots=True)
class Entries:
    """A page of events; how many there are in all, if asked; the cursor of the next page, if there is one."""

    entries: tuple[Entry, ...]
    total: int | None = None
    next: str | None = None


def trail(connection: Connection, *, patient: str = "", resource: tuple[str, str] | None = None) -> Iterator[Entry]:
    """The changes, newest first: of one patient's record, of one resource (type, id), or all."""
    query = select(event).where(event.c.chain == CHANGES).order_by(event.c.position.desc())
    if patient:
        query = query.where(event.c.patient == patient)
    if resource:
        query = query.where(event.c.type == resource[0], event.c.id == resource[1])
    for row in connection.execute(query):
        yield _entry(row, [])


def find(connection: Connection, ident: str) -> Entry:
    """One event by the id it is served under. Raises `NotFound`."""
    place = _ID.fullmatch(ident)
    rows = _with_patients(connection, [_at(place)]) if place else []
    if not rows:
        raise NotFound(f"There is no AuditEvent/{ident}.")
    return rows[0]


def search(connection: Connection, query: Query) -> Entries:
    """One page, newest first. Raises `Invalid` for a parameter that events are not searched by."""
    conditions = [_condition(clause) for clause in query.clauses]
    if query.sort not in ("", "date", "_lastUpdated") or (query.sort and not query.descending):
        raise _not_searched("_sort", query.sort, "-date")
    total = None
    if query.total or query.count == 0:
        total = connection.execute(select(func.count()).select_from(event).where(*conditions)).scalar_one()
    if query.count == 0:
        return Entries((), total)
    if query.cursor:
        conditions.append(tuple_(event.c.at, event.c.chain, event.c.position) < tuple_(*_cursor(query)))
    found = _with_patients(connection, conditions, query.count + 1)
    last = found[query.count - 1] if len(found) > query.count else None
    return Entries(tuple(found[: query.count]), total, _write_cursor(last) if last else None)


def _at(place: re.Match[str]) -> ColumnElement[bool]:
    return and_(event.c.chain == int(place[1]), event.c.position == int(place[2]))


def _with_patients(
    connection: Connection, conditions: Sequence[ColumnElement[bool]], count: int | None = None
) -> list[Entry]:
    order = (event.c.at.desc(), event.c.chain.desc(), event.c.position.desc())
    rows = connection.execute(select(event).where(*conditions).order_by(*order).limit(count)).all()
    several: dict[tuple[int, int], list[str]] = {}
    places = [(row.chain, row.position) for row in rows if not row.patient]
    for start in range(0, len(places), 400):
        within = tuple_(event_patient.c.chain, event_patient.c.position).in_(places[start : start + 400])
        for row in connection.execute(select(event_patient).where(within)):
            several.setdefault((row.chain, row.position), []).append(row.patient)
    return [_entry(row, several.get((row.chain, row.position), [])) for row in rows]


def _entry(row: Row[Any], patients: list[str]) -> Entry:
    actor = Actor(
        row.actor, row.actor_name, row.actor_role, client=row.client, source=row.source, emergency=row.reason
    )  # fmt: skip
    shown = tuple(patients) or ((row.patient,) if row.patient else ())
    place, what = (row.chain, row.position), (row.act, row.type, row.id, row.version)
    return Entry(place, moment(row.at), actor, *what, shown, row.outcome, row.query)


def _condition(clause: Clause) -> ColumnElement[bool]:
    name = clause.parameter.name
    read = _CONDITIONS.get(name)
    if read is None or clause.negated or clause.missing is not None:
        raise _not_searched(name, "", ", ".join(sorted(_CONDITIONS)))
    return or_(false(), *(read(choice) for choice in clause.choices))


def _not_searched(name: str, value: str, expected: str) -> Invalid:
    message = "Events are not searched or sorted in this way."
    return Invalid(Issue("not-supported", message, name, value, "search-parameter", expected))


def _patient(choice: Any) -> ColumnElement[bool]:
    if choice.qualifier not in (None, "Patient"):
        return false()
    one = select(event_patient.c.chain, event_patient.c.position).where(event_patient.c.patient == choice.value)
    return or_(event.c.patient == choice.value, tuple_(event.c.chain, event.c.position).in_(one))


def _agent(choice: Any) -> ColumnElement[bool]:
    who: ColumnElement[bool] = event.c.actor == choice.value
    if choice.qualifier is None:
        return who
    if choice.qualifier not in ("Practitioner", "Device"):
        return false()
    of_system = event.c.actor_role == "system"
    return and_(who, of_system if choice.qualifier == "Device" else ~of_system)


def _entity(choice: Any) -> ColumnElement[bool]:
    if choice.qualifier == "Patient":
        return or_(_patient(choice), and_(event.c.type == "Patient", event.c.id == choice.value))
    return and_(event.c.type == (choice.qualifier or ""), event.c.id == choice.value)


def _address(choice: Any) -> ColumnElement[bool]:
    source = event.c.source
    match choice.how:
        case "contains":
            return source.contains(choice.value, autoescape=True)
        case "starts":
            return source.startswith(choice.value, autoescape=True)
    return or_(source == choice.value)


def _date(choice: Any) -> ColumnElement[bool]:
    if not isinstance(choice, Moment):
        return false()
    lo, hi, at = choice.wanted.lo, choice.wanted.hi, event.c.at
    width = hi - lo + 1
    comparisons: dict[str, ColumnElement[bool]] = {
        "eq": at.between(lo, hi), "ne": ~at.between(lo, hi), "gt": at > hi, "sa": at > hi, "lt": at < lo, "eb": at < lo,
        "ge": at >= lo, "le": at <= hi, "ap": at.between(lo - width, hi + width),
    }  # fmt: skip
    return comparisons[choice.prefix]


def _action(choice: Any) -> ColumnElement[bool]:
    if choice.value == "E":
        return event.c.act.not_in([act for acts in _SAID.values() for act in acts])
    return event.c.act.in_(_SAID.get(choice.value, ()))


def _ident(choice: Any) -> ColumnElement[bool]:
    place = _ID.fullmatch(choice.value or "")
    return _at(place) if place else false()


def _token(column: ColumnElement[str]) -> Callable[[Any], ColumnElement[bool]]:
    return lambda choice: column == choice.value if isinstance(choice, Choice) and choice.value else true()


_CONDITIONS: dict[str, Callable[[Any], ColumnElement[bool]]] = {
    "_id": _ident,
    "_lastUpdated": _date,
    "action": _action,
    "address": _address,
    "agent": _agent,
    "agent-role": _token(event.c.actor_role),
    "altid": _token(event.c.actor),
    "date": _date,
    "entity": _entity,
    "outcome": _token(event.c.outcome),
    "patient": _patient,
    "subtype": _token(event.c.act),
}
SEARCHED = frozenset(_CONDITIONS)
"""The search parameters of AuditEvent that are offered."""


def _write_cursor(last: Entry) -> str:
    plain = json.dumps([micros(last.at), *last.number]).encode()
    return base64.urlsafe_b64encode(plain).rstrip(b"=").decode()


def _cursor(query: Query) -> tuple[int, int, int]:
    try:
        padded = query.cursor.encode("ascii") + b"=" * (-len(query.cursor) % 4)
        at, chain, position = json.loads(base64.b64decode(padded, b"-_", validate=True))
    except (ValueError, TypeError):
        raise _foreign(query) from None
    if not all(type(number) is int and abs(number) < 2**63 for number in (at, chain, position)):
        raise _foreign(query)
    return at, chain, position


def _foreign(query: Query) -> Invalid:
    message = "This is no cursor of this search; follow the link to the next page as it was given."
    return Invalid(Issue("invalid", message, where="_cursor", value=query.cursor, rule="search-value"))
