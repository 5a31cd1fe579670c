"""What clinicians write down so that an episode can be billed: the delivery, and statements with their documents."""

from __future__ import annotations

from datetime import UTC, datetime

from service.domain.actor import Actor
from service.domain.billing.dossier import STATEMENTS, Delivery, Statement
from service.domain.orthosis.design import choice
from service.domain.orthosis.lawful import begun
from service.errors import Invalid, Issue
from service.fhir.billing import to_provenance, to_supply_delivery
from service.fhir.orthosis.names import person
from service.storage.records import Writer
from service.usecases.billing_cases import Case, case_of
from service.usecases.billing_clinic import Billing
from service.usecases.doors import enter_operation
from service.usecases.resources import create


def record_delivery(writer: Writer, actor: Actor, billing: Billing, episode: str, given: Delivery) -> Case:
    """Write down that an orthosis was handed over, to whom, and whether they signed.

    Raises `Invalid` for a day before the decision or ahead, and for a quantity that is none.
    """
    with enter_operation(actor, "billing-evidence") as door:
        case = case_of(writer, billing, episode)
        door.about(case.patient.id)
        told = case.dossier.told.episode
        issues = []
        if given.on < told.decided:
            message = "It would have been delivered before it was decided on."
            issues.append(Issue("value", message, "on", given.on.isoformat(), "event-before-its-cause"))
        if given.on > begun(datetime.now(UTC)):
            issues.append(Issue("value", "That day lies ahead.", "on", given.on.isoformat(), "not-in-the-future"))
        if given.quantity < 1:
            message = "A quantity is counted from 1."
            issues.append(Issue("value", message, "quantity", str(given.quantity), "quantity", "1 or more"))
        if issues:
            raise Invalid(*issues)
        create(writer, actor, to_supply_delivery(told, given))
        return case_of(writer, billing, episode)


def record_statement(
    writer: Writer, actor: Actor, billing: Billing, episode: str, given: Statement, by: str = ""
) -> Case:
    """Write down what a named person states, and where it stands; `by` is their reference, where they have one.

    Raises `Invalid` for an item there is not, a day ahead, or nobody named.
    """
    with enter_operation(actor, "billing-evidence") as door:
        case = case_of(writer, billing, episode)
        door.about(case.patient.id)
        issues = choice("item", given.item, STATEMENTS)
        if given.on > begun(datetime.now(UTC)):
            issues.append(Issue("value", "That day lies ahead.", "on", given.on.isoformat(), "not-in-the-future"))
        who = person(by, given.by)
        if who is None:
            message = "A statement is one of a named person."
            issues.append(Issue("required", message, "by", "", "named-person", "a name, or somebody of the record"))
        if issues or who is None:
            raise Invalid(*issues)
        create(writer, actor, to_provenance(case.dossier.told.episode, given, who, datetime.now(UTC)))
        return case_of(writer, billing, episode)
