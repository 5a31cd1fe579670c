"""The OpenAPI document: what FastAPI knows of its own routes, and the FHIR interface beside it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from service.web.billing_forms import billing_schemas
from service.web.change import CHANGE_SCHEMA
from service.web.corrections import act_schemas
from service.web.fhir.description import SCHEMAS, TAG, path_items
from service.web.fhir.interactions import Interaction
from service.web.fhir.requests import BASE
from service.web.identity.middleware import OPEN
from service.web.metrics import METRICS_SCHEMA
from service.web.orthosis_forms import orthosis_schemas
from service.web.patients import SUMMARY_SCHEMA
from service.web.visits import visit_schemas

_TAGS = [
    {"name": "Visits", "description": "What happened at a visit, as a clinician would say it."},
    {"name": "Orthoses", "description": "Orthoses and casts, from the decision to the end."},
    {"name": "Billing", "description": "Confirming orthoses for billing, without the clinical chart."},
    {"name": "Corrections", "description": "Signing, and putting right what was wrong."},
    {"name": "Patients", "description": "What the record can say about one patient."},
    {
        "name": TAG,
        "description": (
            "The same record as FHIR R4 resources (https://hl7.org/fhir/R4/), for other programs. `/fhir/metadata`"
            " says which types there are and by which parameters each is searched.\n\nAn unknown parameter is refused,"
            " unless the header `Prefer: handling=lenient` asks to put up with it: then the answer says what was passed"
            " over."
        ),
    },
    {"name": "Keeping", "description": "What must go, what must stay, what is past its period: for administrators."},
    {
        "name": "Bulk export",
        "description": (
            "Much of the record at once, as files of lines, by HL7's Bulk Data Access: for programs, and for"
            " administrators. What is exported names people."
        ),
    },
    {"name": "Service", "description": "Whether the record answers."},
]


SCHEME = "token"
_TOKEN = {
    "type": "http",
    "scheme": "bearer",
    "bearerFormat": "JWT",
    "description": (
        "An access token of the clinic's identity provider with SMART App Launch scopes, or one that /token gave a"
        " registered system client; /.well-known/smart-configuration says where to get one."
    ),
}
_METHODS = {"get", "put", "post", "delete", "patch", "options", "head"}


def describe(app: FastAPI, interactions: Iterable[Interaction]) -> dict[str, Any]:
    """The whole OpenAPI 3.1 document of `app`."""
    document = get_openapi(
        title=app.title, version=app.version, description=app.description, routes=app.routes, tags=_TAGS
    )
    document["paths"] |= path_items(BASE, interactions)
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    schemas |= {
        **visit_schemas(),
        **orthosis_schemas(),
        **billing_schemas(),
        **act_schemas(),
        "PatientSummary": SUMMARY_SCHEMA,
        "Metrics": METRICS_SCHEMA,
        "PatientChange": CHANGE_SCHEMA,
        **SCHEMAS,
    }
    _secure(document, needs_token=app.state.needs_token)
    return document


def _secure(document: dict[str, Any], *, needs_token: bool) -> None:
    """Say what a request must show: a token, but for the open addresses; nothing on a computer without a provider."""
    document["components"]["securitySchemes"] = {SCHEME: _TOKEN}
    document["security"] = [{SCHEME: []}] if needs_token else [{SCHEME: []}, {}]
    for path, item in document["paths"].items():
        if path in OPEN:
            for method in _METHODS & item.keys():
                item[method]["security"] = []
