"""Legal holds: while one is on a patient's record, nothing of it is erased or deleted."""

from __future__ import annotations

from service.domain.actor import Actor
from service.errors import Conflict, Invalid, Issue
from service.storage.keeping import Hold
from service.storage.records import Reader, Writer
from service.usecases.doors import enter_duty
from service.usecases.erasure import reason_of

DUTY = "legal-hold"


def place_hold(writer: Writer, actor: Actor, patient: str, reason: str) -> Hold:
    """Put a hold on the record of a patient (`Patient/1`). Raises `NotFound` or `Gone` where there is none."""
    kind, _, ident = patient.partition("/")
    with enter_duty(actor, DUTY, "Patient", ident) as passage:
        if kind != "Patient":
            message = "A legal hold is on a patient's record."
            raise Invalid(Issue("value", message, "patient", patient, expected="Patient/1"))
        stated = reason_of(reason, "a legal hold")
        writer.get("Patient", ident)
        at = writer.note(DUTY, ("Patient", ident), "placed", [ident])
        passage.written = True
        return writer.keeping.place(ident, stated, actor.id, at)


def lift_hold(writer: Writer, actor: Actor, ident: str) -> Hold:
    """End a hold. Raises `NotFound`, or `Conflict` for one that was lifted."""
    with enter_duty(actor, DUTY) as passage:
        found = writer.keeping.hold(ident)
        if found.lifted_at:
            raise Conflict(Issue("conflict", "This legal hold was lifted already.", "id", ident))
        at = writer.note(DUTY, ("Patient", found.patient), "lifted", [found.patient])
        passage.written = True
        return writer.keeping.lift(found, actor.id, at)


def holds(reader: Reader, actor: Actor) -> list[Hold]:
    """Every hold, the last first; those that were lifted too."""
    with enter_duty(actor, DUTY):
        return reader.keeping.holds(all_of=True)
