"""What is sent about billing: the schemas of the forms, and an invented example of each."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from service.usecases.billing_input import (
    AnswerForm,
    ConfirmationForm,
    DeliveryForm,
    QuestionForm,
    ReviewForm,
    StatementForm,
)

FORMS: dict[str, type[BaseModel]] = {
    "BillingConfirmation": ConfirmationForm,
    "BillingQuestion": QuestionForm,
    "BillingAnswer": AnswerForm,
    "BillingReview": ReviewForm,
    "BillingDelivery": DeliveryForm,
    "BillingStatement": StatementForm,
}
EXAMPLES: dict[str, dict[str, Any]] = {
    "BillingConfirmation": {
        "version": "0123456789abcdef0123456789abcdef",
        "lines": [{"system": "https://clinic.example/codes", "code": "A1", "modifiers": ["RT"]}],
    },
    "BillingQuestion": {"question": "Who signed the order?"},
    "BillingAnswer": {"answer": "The signed order is in the paper file since yesterday."},
    "BillingReview": {"version": "0123456789abcdef0123456789abcdef", "reason": "The correction changes no line."},
    "BillingDelivery": {
        "on": "2026-03-02",
        "description": "Hand and finger orthosis, custom fabricated",
        "address": "1 Invented Street",
        "receiver": "B. Invented",
        "relation": "daughter",
        "signed": True,
        "instructions": True,
        "supplier": "Invented Hand Clinic",
    },
    "BillingStatement": {
        "item": "order-signature",
        "on": "2026-03-01",
        "by": {"name": "Dr C. Invented"},
        "document": "order 12 in the paper file",
        "signed": True,
    },
}
"""All invented."""


def body(name: str) -> dict[str, Any]:
    """How OpenAPI describes a body of this schema."""
    schema = {"$ref": f"#/components/schemas/{name}"}
    content = {"application/json": {"schema": schema, "example": EXAMPLES[name]}}
    return {"requestBody": {"required": True, "content": content}}


def billing_schemas() -> dict[str, Any]:
    """The schemas of what is sent, each under a name of its own, with the parts they are made of."""
    found: dict[str, Any] = {}
    for name, form in FORMS.items():
        schema = form.model_json_schema(ref_template="#/components/schemas/Billing{model}")
        found |= {f"Billing{part}": content for part, content in schema.pop("$defs", {}).items()}
        found[name] = schema
    return found
