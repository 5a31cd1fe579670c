"""The door that every access goes through: may this person, and what did they see?

A use case that shows or changes anything of the record does it inside `with enter(actor, …) as door`. The door asks
the permission matrix, keeps to the limits it gives, and remembers what was done, so that it can be written down
before the answer leaves.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from typing import Any

from service.domain.actor import Actor
from service.errors import Forbidden, RecordError
from service.fhir.search_parameters import Clause, Query
from service.fhir.text import Json
from service.storage.stored import Page, Stored
from service.usecases.permissions import Limits, require, require_duty, require_exporter, require_operation


@dataclass(slots=True)
class Passage:
    """One thing somebody did, or tried: what, to which resource, and whose data it showed.

    `written` says that the change wrote its own event, in its own transaction.
    """

    act: str
    type: str
    id: str = ""
    version: int = 0
    query: str = ""
    patients: dict[str, None] = field(default_factory=dict)
    outcome: str = "4"
    written: bool = False


@dataclass(slots=True)
class Visitors:
    """All passages of one request, in order."""

    passages: list[Passage] = field(default_factory=list)


_present: ContextVar[Visitors | None] = ContextVar("visitors", default=None)


@contextmanager
def watched() -> Iterator[Visitors]:
    """Remember every passage through a door in this context, and in the threads it starts."""
    visitors = Visitors()
    before = _present.set(visitors)
    try:
        yield visitors
    finally:
        _present.reset(before)


class Door:
    """What may pass, and what did."""

    def __init__(self, actor: Actor, passage: Passage, limits: Limits) -> None:
        self._actor, self.passage, self.limits = actor, passage, limits

    def show(self, *found: Stored) -> None:
        """What is about to be shown. Raises `NotFound` for what the person was not granted."""
        for stored in found:
            if self.limits.rows is not None and not stored.deleted:
                self.limits.require(stored.resource, stored.reference)
            if stored.patient:
                self.passage.patients[stored.patient] = None
        if len(found) == 1:
            self.passage.version = found[0].version

    def show_page(self, page: Page) -> Page:
        """What a search is about to show: its matches, which kept to the limits, and of what comes along what may."""
        along = tuple(stored for stored in getattr(page, "included", ()) if may_see(self._actor, stored))
        self.passage.patients |= {stored.patient: None for stored in (*page.matches, *along) if stored.patient}
        narrowed: dict[str, Any] = {"included": along} if hasattr(page, "included") else {}
        return replace(page, **narrowed)

    def within(self, query: Query) -> Query:
        """A search that finds, and asks about, only what the person was granted. Raises `Forbidden`."""
        return kept_within(self._actor, query)

    def require_no_limits(self) -> None:
        """Raise `Forbidden` for a person who was granted a part only, of what cannot be shown in part."""
        if self.limits.rows is not None:
            raise Forbidden("The token was granted a part of this only, and it is shown as a whole or not at all.")

    def about(self, patient: str) -> None:
        """The patient an operation turned out to be about. Raises `Forbidden`."""
        require_operation(self._actor, self.passage.act, patient)
        self.passage.id = patient
        self.passage.patients[patient] = None

    def require_before(self, stored: Stored) -> None:
        """Raise `NotFound` for a resource that the person was not granted, as it stands before a change."""
        if self.limits.rows is not None:
            self.limits.require({} if stored.deleted else stored.resource, stored.reference)

    def require_within(self, resource: Json) -> None:
        """Raise `Forbidden` for content that the person was not granted to write."""
        if not self.limits.cover(resource):
            raise Forbidden("The token was not granted this resource, as it stands or as it would be.")

    def wrote(self, stored: Stored) -> None:
        """The change is made, with its event, in the transaction that is open."""
        self.passage.written = True
        self.passage.id, self.passage.version = stored.id, stored.version


def kept_within(actor: Actor, query: Query) -> Query:
    """A search with everything it reaches kept to what the person was granted. Raises `Forbidden`.

    Whatever in it holds a search of its own (a chain, `_has`) or names another type (an include) is asked about as
    that search or type is: by what it finds, a condition tells of what it reaches.
    """
    limits = require(actor, "search", query.type)
    for include in getattr(query, "includes", ()):
        for kind in {include.source, include.target} - {"", "*", query.type}:
            require(actor, "search", kind)
    clauses = tuple(_kept(actor, clause) for clause in query.clauses)
    return replace(query, clauses=clauses, within=limits.rows or ())


def _kept(actor: Actor, clause: Clause) -> Clause:
    choices: tuple[Any, ...] = tuple(_kept_choice(actor, choice) for choice in clause.choices)
    return clause if choices == clause.choices else replace(clause, choices=choices)


def _kept_choice(actor: Actor, choice: Any) -> Any:
    if hasattr(choice, "query"):
        return replace(choice, query=kept_within(actor, choice.query))
    if hasattr(choice, "clauses"):
        return replace(choice, clauses=tuple(_kept(actor, clause) for clause in choice.clauses))
    return choice


def may_see(actor: Actor, stored: Stored) -> bool:
    """Whether this person may see a resource that nobody asked for by name."""
    try:
        limits = require(actor, "read", stored.type)
    except Forbidden:
        return False
    return limits.rows is None or (not stored.deleted and limits.cover(stored.resource))


@contextmanager
def enter(
    actor: Actor, interaction: str, kind: str, ident: str = "", *, query: str = "", act: str = ""
) -> Iterator[Door]:
    """Go through the door to resources of one type; `act` names what is more than that. Raises `Forbidden`."""
    passage = _noted(Passage(act or interaction, kind, ident, query=query))
    with _passing(passage):
        yield Door(actor, passage, require(actor, interaction, kind))


@contextmanager
def enter_operation(actor: Actor, name: str, patient: str = "") -> Iterator[Door]:
    """Go through the door to what an operation does; whose record it is about is said with `Door.about`.

    Raises `Forbidden`.
    """
    with enter(actor, "read", "Patient", patient, act=name) as door:
        require_operation(actor, name, patient)
        yield Door(actor, door.passage, Limits())


@contextmanager
def enter_duty(actor: Actor, name: str, kind: str = "", ident: str = "") -> Iterator[Passage]:
    """Go through the door to what is done to the record as a whole, or to one resource of it. Raises `Forbidden`."""
    passage = _noted(Passage(name, kind, ident))
    with _passing(passage):
        require_duty(actor, name)
        yield passage


@contextmanager
def enter_export(actor: Actor, kind: str = "", ident: str = "", *, query: str = "") -> Iterator[Passage]:
    """Go through the door to exports, of the whole record or of the patients in a group. Raises `Forbidden`."""
    passage = _noted(Passage(act="export", type=kind, id=ident, query=query))
    with _passing(passage):
        require_exporter(actor)
        yield passage


@contextmanager
def _passing(passage: Passage) -> Iterator[None]:
    try:
        yield
    except RecordError:
        raise
    except BaseException:
        passage.outcome = "8"
        raise
    passage.outcome = "0"


def _noted(passage: Passage) -> Passage:
    visitors = _present.get()
    if visitors is not None:
        visitors.passages.append(passage)
    return passage
