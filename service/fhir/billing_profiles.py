"""The profiles of what proves and confirms an orthosis episode for billing."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir import billing_extensions as own
from service.fhir import billing_names as names
from service.fhir.narrowing import CORE, bound, narrowed, person
from service.fhir.snapshot import Change, structure_definition
from service.fhir.text import Json

_KEY = {"short": "The identifier of the episode", "min": 1}


def billing_profiles() -> list[Json]:
    """The StructureDefinition of each."""
    return [
        _made(names.DELIVERY_PROFILE, "Delivery of an orthosis", "Who received it, when, and whether they signed."),
        _made(names.STATEMENT_PROFILE, "Statement for billing", "What a named person states, and in which document."),
        _made(names.CONFIRMATION_PROFILE, "Confirmation for billing", "What a biller decided, and what it rests on."),
        _made(names.CHARGE_PROFILE, "Charge of an orthosis", "One line of a confirmation, as the biller chose it."),
    ]


def _made(url: str, title: str, text: str) -> Json:
    base = names.PROFILES[url]
    changes = {
        names.DELIVERY_PROFILE: _delivery,
        names.STATEMENT_PROFILE: _statement,
        names.CONFIRMATION_PROFILE: _confirmation,
        names.CHARGE_PROFILE: _charge,
    }[url]
    return structure_definition(url, title, text, base, [(base, {"short": title, "definition": text}), *changes()])


def _delivery() -> Iterator[Change]:
    yield from narrowed("SupplyDelivery", own.ADDRESS, own.RECEIVER, own.INSTRUCTIONS, own.DESCRIPTION)
    yield "SupplyDelivery.identifier", _KEY
    yield person("SupplyDelivery.patient", "Who is to wear it")
    yield "SupplyDelivery.occurrence[x]", {"short": "The day of delivery", "min": 1, "type": [{"code": "dateTime"}]}


def _statement() -> Iterator[Change]:
    yield "Provenance.target", {"short": "The plan of the orthosis, and the patient"}
    yield "Provenance.occurred[x]", {"short": "Of which day it is", "min": 1, "type": [{"code": "dateTime"}]}
    yield "Provenance.activity", {**bound("billing-statement", "What is stated"), "min": 1}
    yield "Provenance.entity", {"short": "The document it stands in", "min": 1}


def _confirmation() -> Iterator[Change]:
    yield from narrowed("Task", own.RULE_SET)
    yield "Task.identifier", _KEY
    yield "Task.businessStatus", {**bound("billing-decision", "What was decided"), "min": 1}
    plan = [{"code": "Reference", "targetProfile": [f"{CORE}/ServiceRequest"]}]
    yield "Task.focus", {"short": "The plan of the orthosis", "min": 1, "type": plan}
    yield person("Task.for", "Who wears it")
    yield "Task.authoredOn", {"short": "When it was decided", "min": 1}
    yield "Task.owner", {"short": "Who decided", "min": 1}
    yield "Task.input.type", bound("billing-part", "What the decision rests on")
    yield "Task.output.type", bound("billing-part", "What came of it")


def _charge() -> Iterator[Change]:
    marks = (own.RULE_SET, own.MODIFIER, own.COVER, own.WHY, own.EXPORT, own.REVERSAL, own.VOID)
    yield from narrowed("ChargeItem", *marks)
    yield "ChargeItem.identifier", _KEY
    yield person("ChargeItem.subject", "Who wears it")
    yield "ChargeItem.occurrence[x]", {"short": "The date of service", "min": 1, "type": [{"code": "dateTime"}]}
    yield "ChargeItem.quantity", {"short": "Units", "min": 1}
    yield "ChargeItem.bodysite", bound("body-site", "The side, with its digits")
    yield "ChargeItem.enterer", {"short": "Who confirmed it", "min": 1}
    yield "ChargeItem.enteredDate", {"short": "When it was confirmed", "min": 1}
