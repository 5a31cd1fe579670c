"""Invented episodes to bill, and what proves them, that the tests of this folder share."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from service.domain.billing.dossier import Cover, Delivery, Dossier, Statement, Told
from service.domain.billing.rule_sets import Payer, RuleSet
from service.domain.orthosis.design import Design, Held
from service.domain.orthosis.episode import Event
from service.domain.orthosis.history import life_of
from service.usecases.billing_clinic import shipped
from tests.domain.orthosis.orthoses import episode, event

US = next(each for each in shipped() if each.name == "general-us")
RECORD_ONLY = next(each for each in shipped() if each.name == "record-only")

STATIC = Design(
    "right",
    region="hand-finger",
    digits=("ring", "little"),
    holds=(Held("ring-mcp", angle=Decimal(60)), Held("little-mcp", angle=Decimal(60))),
    purpose="immobilise",
    mechanism="static",
    material="thermoplastic",
    fabrication="custom",
    removable="yes",
)
FITTED = event("fitted", 2, by_name="A. Invented", expertise="hand therapist")
DELIVERY = Delivery(
    date(2026, 3, 2), 1, "Hand and finger orthosis", "1 Invented Street", "B. Invented", "daughter", True, True,
    "Invented Hand Clinic", reference="SupplyDelivery/d",
)  # fmt: skip
SIGNED = Statement("order-signature", date(2026, 3, 1), "Dr C. Invented", "paper 12", True, "Provenance/s")
PLAN = Statement("plan-of-care", date(2026, 3, 1), "Dr C. Invented", "paper 13", reference="Provenance/p")
MEDICARE = Cover("Coverage/c", (Payer("Medicare"),))


def told(*events: Event, design: Design = STATIC, name: str = "one", **more: Any) -> Told:
    """An episode decided on the first of March 2026, with its life."""
    made = replace(
        episode(
            *(events or (FITTED,)), design=design, name=name, by_name="Dr C. Invented", reason="a fracture", **more
        ),
        id=name,
        device_id=f"{name}-device",
        request_id=f"{name}-order",
    )
    numbered = tuple(replace(e, id=f"{name}-{e.place}") for e in made.events)
    made = replace(made, events=numbered)
    return Told(made, life_of(made))


def dossier(*events: Event, design: Design = STATIC, **more: Any) -> Dossier:
    """A dossier that lacks nothing under the general rules, but for what is changed here."""
    whole = {
        "patient_name": "Ida Invented",
        "born": date(1960, 5, 6),
        "deliveries": (DELIVERY,),
        "statements": (SIGNED, PLAN),
        "covers": (MEDICARE,),
    }
    return Dossier(told(*events, design=design), **{**whole, **more})


def with_lines(rules: RuleSet, **change: Any) -> RuleSet:
    """The rules with another rule of lines."""
    return replace(rules, lines=replace(rules.lines, **change))
