"""Requests that schemathesis makes up from the OpenAPI document, valid and not, alone and in chains.

None may be answered by 500 or above, by a status or in a format the document does not state, or by a body that is not
of the stated schema. `HANDRECORD_TEST_EXAMPLES` makes the search longer than the few examples of an ordinary run.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any, NamedTuple

import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

EXAMPLES = int(os.environ.get("HANDRECORD_TEST_EXAMPLES", "4"))
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
RUN = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=EXAMPLES == 4,
    suppress_health_check=list(HealthCheck),
)


VALID: dict[str, dict[str, Any]] = {
    "Patient": {"resourceType": "Patient", "active": True},
    "Observation": {"resourceType": "Observation", "status": "final", "code": {"text": "invented"}},
    "Encounter": {
        "resourceType": "Encounter",
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
    },
    "Organization": {"resourceType": "Organization", "name": "Invented clinic"},
    "Practitioner": {"resourceType": "Practitioner", "name": [{"family": "Invented"}]},
    "Location": {"resourceType": "Location", "name": "Invented room"},
    "Device": {"resourceType": "Device"},
    "Questionnaire": {"resourceType": "Questionnaire", "status": "draft"},
}
"""A small valid resource of some types."""


CHAINED = ["/fhir/{type}", "/fhir/{type}/{id}", "/fhir/{type}/{id}/_history"]
"""Where what is written at one address is found at the next."""


def _checks(answer: Any) -> list[Any]:
    """What an answer is held against: one without a body, as `Prefer: return=minimal` asks for, has no format."""
    return CHECKS if answer.content else [not_a_server_error, status_code_conformance]


class Answered(NamedTuple):
    """The address of an operation as the document writes it, and how a request to it was answered."""

    path: str
    status: int
    body: str


def send_each(url: str, mode: schemathesis.GenerationMode, headers: Mapping[str, str]) -> list[Answered]:
    """Send requests to each operation that the document states; which it was, and the answer."""
    answered: list[Answered] = []
    for found in schemathesis.openapi.from_url(f"{url}/openapi.json").get_all_operations():

        @RUN
        @given(case=found.ok().as_strategy(generation_mode=mode))
        def ask(case: schemathesis.Case) -> None:
            answer = case.call(headers=headers)
            case.validate_response(answer, checks=_checks(answer))
            answered.append(Answered(case.operation.path, answer.status_code, answer.text))

        try:
            ask()
        except Unsatisfiable:
            assert mode is schemathesis.GenerationMode.NEGATIVE  # there is nothing about it that could be wrong
    return answered


def send_chains(url: str, headers: Mapping[str, str]) -> list[Answered]:
    """Send requests that go on with what earlier answers named; which they were, and the answers."""
    answered: list[Answered] = []
    document = schemathesis.openapi.from_url(f"{url}/openapi.json").include(path=CHAINED)

    class Chain(document.as_state_machine()):  # type: ignore[misc]
        def get_call_kwargs(self, case: schemathesis.Case) -> dict[str, Any]:
            return {"headers": dict(headers)}

        def before_call(self, case: schemathesis.Case) -> None:
            """What is made up from the schema is hardly ever valid: here what is written is, and no query is odd."""
            case.query = {}
            path, kind = case.path_parameters, case.path_parameters["type"]
            if case.method == "POST":
                kind = path["type"] = list(VALID)[len(kind) % len(VALID)]
            if case.method in ("POST", "PUT") and kind in VALID:
                case.body = {**VALID[kind], **({"id": path["id"]} if "id" in path else {})}
                case.headers = {"content-type": "application/fhir+json"}

        def validate_response(self, response: Any, case: schemathesis.Case, **_: Any) -> None:
            case.validate_response(response, checks=_checks(response))
            answered.append(Answered(case.operation.path, response.status_code, response.text))

    Chain.run(settings=settings(RUN, stateful_step_count=20))
    return answered
