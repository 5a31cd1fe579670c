"""Erasing for good: one person asks and gives a reason, another looks at what would go and approves exactly that.

Where no identity provider is set there is only the one person at this computer, and nobody can prove who they are. Then
both state their names; two different names are required and written down, and everything shown says that they are not
proven.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from uuid import uuid4

from service.domain.actor import Actor
from service.errors import Conflict, Forbidden, Invalid, Issue, NotSupported, PreconditionFailed, Unavailable
from service.fhir.definitions import SERVED_TYPES
from service.fhir.erasing import Key, marks_of, names_of
from service.fhir.search_dates import moment
from service.storage.erase_plan import Plan
from service.storage.holders import Holder
from service.storage.keeping import Backup, Erasure, Person
from service.storage.records import Reader, Records, Writer
from service.usecases.doors import enter_duty
from service.usecases.erasure_ledger import write_ledger
from service.usecases.permissions import SHORTEST_REASON

DUTY = "erasure"


@dataclass(frozen=True, slots=True)
class Scope:
    """What an erasure would take as the record stands, without anything of its content.

    `seen` is what to state when it is approved: it differs as soon as anything of it was changed. `patients` is empty
    when it is about a single resource. `linked` are resources that stay and lose their reference to what goes,
    `repeats` those that stay and hold an identifier or address of the person: somebody must look at them.
    """

    seen: str
    patients: tuple[str, ...]
    counts: Mapping[str, int]
    linked: tuple[str, ...]
    repeats: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """An erasure, what it would take if it is still to be decided, and what holds, or still holds, any of it."""

    erasure: Erasure
    scope: Scope | None
    backups: tuple[Backup, ...]
    left: tuple[Holder, ...]
    proven: bool


def ask(writer: Writer, actor: Actor, target: str, reason: str, *, by: str = "") -> Shown:
    """Ask for the erasure of a resource (`Observation/1`), or of a patient's whole record (`Patient/1`).

    `by` is the name of whoever asks, where nobody proves who they are. Raises `NotFound`, `Gone`, `Conflict` under a
    legal hold, `Invalid` for a reason that says nothing.
    """
    kind, ident = _key(target)
    with enter_duty(actor, DUTY, kind, ident) as passage:
        stated = reason_of(reason, "erasing")
        person = _person(actor, by)
        plan = writer.erasure_plan(kind, ident)
        _require_nameless(writer, plan, stated)
        _require_free(writer, plan)
        for open_one in writer.keeping.erasures("asked"):
            if open_one.target == (kind, ident):
                message = f"The erasure of {target} was asked for already."
                raise Conflict(Issue("duplicate", message, "target", open_one.id))
        made = Erasure(str(uuid4()), (kind, ident), "asked", stated, person, _noted(writer, plan, "asked"))
        writer.keeping.keep(made)
        passage.written = True
        return _shown(writer, actor, made, plan)


def look(reader: Reader, actor: Actor, ident: str) -> Shown:
    """One erasure with what it would take, or took. Raises `NotFound`."""
    with enter_duty(actor, DUTY):
        found = reader.keeping.erasure(ident)
        plan = reader.erasure_plan(*found.target) if found.state == "asked" else None
        return _shown(reader, actor, found, plan)


def listed(reader: Reader, actor: Actor) -> list[Erasure]:
    """Every erasure that was asked for, the last first."""
    with enter_duty(actor, DUTY):
        return reader.keeping.erasures()


def withdraw(writer: Writer, actor: Actor, ident: str, *, by: str = "") -> Erasure:
    """Take a request back, or turn it down. Raises `NotFound`, or `Conflict` for one that is decided."""
    with enter_duty(actor, DUTY) as passage:
        found = _open(writer, ident)
        at = writer.note(DUTY, found.target, f"erasure={ident}")
        made = replace(found, state="withdrawn", decided=_person(actor, by), decided_at=at)
        writer.keeping.keep(made)
        passage.written = True
        return made


def approve(writer: Writer, actor: Actor, ident: str, seen: str, *, by: str = "") -> Erasure:
    """Erase what was asked for, if it is what this second person has seen.

    Raises `Forbidden` for whoever asked for it, `PreconditionFailed` if anything of it was changed since it was looked
    at, `Conflict` under a legal hold.
    """
    with enter_duty(actor, DUTY) as passage:
        found = _open(writer, ident)
        person = _person(actor, by)
        if person.id == found.asked.id:
            message = "Whoever asked for an erasure does not approve it: a second person does."
            raise Forbidden(Issue("forbidden", message, rule="second-person"))
        plan = writer.erasure_plan(*found.target)
        _require_free(writer, plan)
        if plan.digest != seen:
            message = "What would go is not what was looked at; look at it again, and state what it shows as seen."
            raise PreconditionFailed(Issue("conflict", message, "seen", seen, expected=plan.digest))
        passage.written = True
        return carry_out(writer, found, person, plan)


def carry_out(writer: Writer, asked: Erasure, person: Person, plan: Plan) -> Erasure:
    """Erase what a plan takes, and write down that it was done."""
    at = writer.erase(plan, asked.id)
    first = moment(plan.first_at)
    made = replace(
        asked, state="erased", decided=person, decided_at=at, first=first, taken=len(plan.going), cleaned=None
    )
    writer.keeping.keep(made)
    return made


def finish(records: Records, actor: Actor, ledger: Path | None) -> list[Erasure]:
    """Bring the ledger up to date and leave no trace of what was erased; answers what was not finished before.

    After a break in between it is called again. Raises `Unavailable` while somebody reads an older state.
    """
    with enter_duty(actor, DUTY):
        if ledger:
            with records.read() as reader:
                write_ledger(reader, ledger)
        with records.read() as reader:
            left = [one for one in reader.keeping.erasures("erased") if one.cleaned is None]
        if not left:
            return []
        records.scrub()
        with records.write(actor) as writer:
            for one in left:
                at = writer.note(DUTY, one.target, f"erasure={one.id}")
                writer.keeping.keep(replace(one, cleaned=at))
        return left


def approve_whole(
    records: Records, actor: Actor, ident: str, seen: str, *, by: str = "", ledger: Path | None = None
) -> Shown:
    """Approve, erase, and leave no trace; if somebody still reads an older state, what is left to do is shown so."""
    with records.write(actor) as writer:
        approve(writer, actor, ident, seen, by=by)
    with suppress(Unavailable):  # then `cleaned` stays empty, and `finish` does the rest when it is called again
        finish(records, actor, ledger)
    with records.read() as reader:
        return look(reader, actor, ident)


def reason_of(reason: str, what: str) -> str:
    """A reason that somebody else can understand later. Raises `Invalid` for one that says nothing."""
    stated = " ".join(reason.split())
    if len(stated) < SHORTEST_REASON:
        message = f"A reason for {what} is one that somebody else can understand later."
        expected = f"{SHORTEST_REASON} letters or more, and no patient's name"
        raise Invalid(Issue("required", message, "reason", stated, "reason", expected))
    return stated[:500]


def _require_nameless(reader: Reader, plan: Plan, reason: str) -> None:
    """The reason is kept when the person's record is gone, so it must not name them."""
    for ident in plan.patients:
        stored = reader.find("Patient", ident)
        known = stored.resource if stored and not stored.deleted else {}
        if any(word.casefold() in reason.casefold() for word in names_of(known) | marks_of(known)):
            message = "The reason names the person whose record is to be erased, and it is kept afterwards."
            raise Invalid(Issue("value", message, "reason", rule="reason", expected="a reason without name or number"))


def _shown(reader: Reader, actor: Actor, one: Erasure, plan: Plan | None) -> Shown:
    scope = None
    since: datetime | None = one.first
    if plan is not None:
        links = tuple(dict.fromkeys(f"{kind}/{ident}" for kind, ident, _ in plan.staying))
        repeats = tuple(f"{kind}/{ident}" for kind, ident in plan.repeats)
        counts = dict(sorted(Counter(each.type for each in plan.going).items()))
        scope = Scope(plan.digest, plan.patients, counts, links, repeats)
        since = moment(plan.first_at)
    made = reader.keeping.backups(since) if since else []
    holding = tuple(each for each in made if one.state != "erased" or (one.decided_at and each.at <= one.decided_at))
    left = tuple(reader.holders(plan or one.id))
    return Shown(one, scope, holding, left, proven=actor.role != "local")


def _noted(writer: Writer, plan: Plan, what: str) -> datetime:
    return writer.note(DUTY, plan.target, what, plan.patients)


def _open(reader: Reader, ident: str) -> Erasure:
    found = reader.keeping.erasure(ident)
    if found.state != "asked":
        raise Conflict(Issue("conflict", "This erasure is decided already.", "id", found.state))
    return found


def _key(target: str) -> Key:
    kind, _, ident = target.partition("/")
    if kind not in SERVED_TYPES or not ident:
        message = "What is to be erased is named by its type and id."
        raise Invalid(Issue("value", message, "target", target, expected="Patient/1, or Observation/1"))
    if kind == "AuditEvent":
        raise NotSupported("The trail of who did what is not erased.")
    return kind, ident


def _require_free(reader: Reader, plan: Plan) -> None:
    patients = {*plan.patients, *(one.patient for one in plan.going)}
    if patients & {hold.patient for hold in reader.keeping.holds()}:
        message = "A legal hold is on this record: nothing of it is erased before the hold is lifted."
        raise Conflict(Issue("conflict", message, rule="legal-hold"))


def _person(actor: Actor, by: str) -> Person:
    stated = " ".join(by.split())
    if actor.role != "local":
        return Person(actor.id, actor.name)
    if not stated:
        message = "While nobody signs in here, whoever asks for an erasure or decides on it states their name."
        raise Invalid(Issue("required", message, "by", rule="second-person"))
    return Person(f"stated:{stated.casefold()}", stated)
