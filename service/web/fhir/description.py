"""The FHIR interface as path items and schemas of the OpenAPI document, made from the table of interactions."""

from __future__ import annotations

from collections.abc import Iterable
from http import HTTPStatus
from typing import Any

from service.fhir.definitions import SERVED_TYPES
from service.fhir.json_patch import MEDIA_TYPE
from service.fhir.search_parameters import parameters_of
from service.web.errors import OutcomeIssue
from service.web.fhir.interactions import Interaction, Parameter
from service.web.fhir.negotiation import FORM

Json = dict[str, Any]
TAG = "FHIR R4"

_IN_PATH = {
    "type": ("The resource type.", {"$ref": "#/components/schemas/ResourceType"}),
    "id": ("The logical id of the resource.", {"type": "string", "pattern": "^[A-Za-z0-9\\-.]{1,64}$"}),
    "target": ("The type that is searched.", {"$ref": "#/components/schemas/ResourceType"}),
    "version": ("The number of a version, from 1.", {"type": "integer", "minimum": 1}),
}
_SHARED = (
    Parameter("_format", "query", "The format to answer in; only JSON is written.", "json"),
    Parameter("_pretty", "query", "`true` lays the answer out for human eyes.", "true"),
)
_EXAMPLE_OBSERVATION: Json = {
    "resourceType": "Observation",
    "status": "final",
    "code": {
        "coding": [
            {"system": "http://loinc.org", "code": "83173-5", "display": "Grip strength Hand - left Dynamometer"}
        ]
    },
    "subject": {"reference": "Patient/example"},
    "effectiveDateTime": "2026-03-02T09:30:00+01:00",
    "valueQuantity": {"value": 31.5, "unit": "kilogram-force", "system": "http://unitsofmeasure.org", "code": "kgf"},
}
_EXAMPLE_BUNDLE: Json = {
    "resourceType": "Bundle",
    "type": "transaction",
    "entry": [
        {
            "fullUrl": "urn:uuid:0fd3b0cc-6d0e-4a0e-9a68-1f8d9e6c7a51",
            "resource": {
                "resourceType": "Patient",
                "identifier": [{"system": "https://clinic.example/file", "value": "12"}],
            },
            "request": {"method": "POST", "url": "Patient"},
        },
        {
            "resource": _EXAMPLE_OBSERVATION
            | {"subject": {"reference": "urn:uuid:0fd3b0cc-6d0e-4a0e-9a68-1f8d9e6c7a51"}},
            "request": {"method": "POST", "url": "Observation"},
        },
    ],
}
_BODIES: dict[str, tuple[str, str, Json | list[Json] | None]] = {
    "resource": ("application/fhir+json", "Resource", _EXAMPLE_OBSERVATION),
    "bundle": ("application/fhir+json", "Bundle", _EXAMPLE_BUNDLE),
    "form": (FORM, "SearchForm", None),
    "parameters": ("application/fhir+json", "Parameters", None),
    "patch": (MEDIA_TYPE, "Patch", [{"op": "replace", "path": "/status", "value": "final"}]),
}

SCHEMAS: Json = {
    "ResourceType": {
        "type": "string",
        "description": "The types of resources kept here.",
        "enum": list(SERVED_TYPES),
    },
    "Resource": {
        "type": "object",
        "description": "A resource as https://hl7.org/fhir/R4/ describes its type; decimals are kept as written.",
        "required": ["resourceType"],
        "properties": {
            "resourceType": {"$ref": "#/components/schemas/ResourceType", "description": "The type of the resource."},
            "id": {"type": "string", "description": "Its logical id, given by the server when it is created."},
            "meta": {
                "type": "object",
                "description": "Its version (`versionId`) and the moment it was stored (`lastUpdated`).",
            },
        },
        "additionalProperties": True,
    },
    "Bundle": {
        "type": "object",
        "description": "A Bundle (https://hl7.org/fhir/R4/bundle.html): resources sent, found or listed together.",
        "required": ["resourceType", "type"],
        "properties": {
            "resourceType": {"const": "Bundle"},
            "type": {
                "type": "string",
                "enum": ["searchset", "history", "transaction", "batch", "transaction-response", "batch-response"],
            },
            "total": {"type": "integer", "description": "How many resources match in all, where that was counted."},
            "link": {
                "type": "array",
                "items": {"type": "object"},
                "description": "`self` as it was understood, and `next` when there is more.",
            },
            "entry": {
                "type": "array",
                "items": {"type": "object"},
                "description": "The resources, each with what was asked or answered.",
            },
        },
    },
    "SearchForm": {
        "type": "object",
        "description": "The parameters of a search, each under its own name.",
        "additionalProperties": {"type": "string"},
    },
    "Patch": {
        "type": "array",
        "items": {"type": "object"},
        "description": "The operations of a JSON Patch (RFC 6902), in order.",
    },
    "Parameters": {
        "type": "object",
        "description": "Inputs or results of an operation (https://hl7.org/fhir/R4/parameters.html).",
        "required": ["resourceType"],
        "properties": {
            "resourceType": {"const": "Parameters"},
            "parameter": {
                "type": "array",
                "items": {"type": "object"},
                "description": "Each with its `name`, and a `value[x]`, a `resource` or parts.",
            },
        },
    },
    "ValueSet": {
        "type": "object",
        "description": "A ValueSet with its expansion (https://hl7.org/fhir/R4/valueset.html).",
        "required": ["resourceType"],
        "properties": {"resourceType": {"const": "ValueSet"}},
        "additionalProperties": True,
    },
    "CapabilityStatement": {
        "type": "object",
        "description": "A CapabilityStatement (https://hl7.org/fhir/R4/capabilitystatement.html).",
        "additionalProperties": True,
    },
    "OperationOutcome": {
        "type": "object",
        "description": "What went wrong, or should be known (https://hl7.org/fhir/R4/operationoutcome.html).",
        "required": ["resourceType", "issue"],
        "properties": {
            "resourceType": {"const": "OperationOutcome"},
            "issue": {"type": "array", "items": {"$ref": "#/components/schemas/OutcomeIssue"}},
        },
    },
    "OutcomeIssue": OutcomeIssue.model_json_schema(),
}
"""The schemas that the path items refer to."""

ERROR_ANSWER: Json = {
    "description": "Refused; the body says why.",
    "content": {"application/fhir+json": {"schema": {"$ref": "#/components/schemas/OperationOutcome"}}},
}


def search_parameters_in_words() -> str:
    """Which parameters each type is searched by, from the table of searches."""
    tables = {name: parameters_of(name) for name in SERVED_TYPES}
    shared = [name for name in tables[SERVED_TYPES[0]] if all(name in table for table in tables.values())]
    own = {name: [each for each in table if each not in shared] for name, table in tables.items()}
    lines = [f"Every type is searched by {_quoted(shared)}."]
    return "\n\n".join([*lines, *(f"`{name}`: {_quoted(names)}" for name, names in own.items() if names)])


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


def path_items(base: str, interactions: Iterable[Interaction]) -> Json:
    """The OpenAPI path items of these interactions."""
    items: Json = {}
    for each in interactions:
        items.setdefault(base + each.path, {})[each.method.lower()] = _operation(each)
    return items


def _operation(interaction: Interaction) -> Json:
    in_path = [name for name in _IN_PATH if f"{{{name}}}" in interaction.path]
    operation: Json = {
        "operationId": f"fhir-{interaction.name}",
        "tags": [TAG],
        "summary": interaction.summary,
        "parameters": [
            *(_path_parameter(name) for name in in_path),
            *(_parameter(each) for each in (*interaction.parameters, *_SHARED)),
        ],
        "responses": {
            **{str(status): _answer(status, meaning, interaction) for status, meaning in interaction.answers.items()},
            "4XX": ERROR_ANSWER,
        },
    }
    if interaction.meaning:
        operation["description"] = interaction.meaning
    if interaction.takes:
        media_type, schema, example = _BODIES[interaction.takes]
        content: Json = {"schema": {"$ref": f"#/components/schemas/{schema}"}}
        if example:
            content["example"] = example
        contents = {media_type: content}
        if interaction.takes == "patch":
            contents["application/fhir+json"] = {"schema": {"$ref": "#/components/schemas/Parameters"}}
        operation["requestBody"] = {"required": interaction.takes != "parameters", "content": contents}
    return operation


def _path_parameter(name: str) -> Json:
    meaning, schema = _IN_PATH[name]
    return {"name": name, "in": "path", "required": True, "description": meaning, "schema": schema}


def _parameter(parameter: Parameter) -> Json:
    written: Json = {
        "name": parameter.name,
        "in": parameter.place,
        "description": parameter.meaning,
        "schema": {"type": "string"},
    }
    if parameter.free:
        written |= {"style": "form", "explode": True, "schema": {"$ref": "#/components/schemas/SearchForm"}}
    if parameter.example:
        written["example"] = parameter.example
    return written


def _answer(status: int, meaning: str, interaction: Interaction) -> Json:
    answer: Json = {"description": meaning}
    if interaction.gives and status not in (HTTPStatus.NO_CONTENT, HTTPStatus.NOT_MODIFIED):
        schema = {"$ref": f"#/components/schemas/{interaction.gives}"}
        answer["content"] = {"application/fhir+json": {"schema": schema}}
    if interaction.name in _WRITTEN:
        answer["links"] = {name: _link(name, *_WRITTEN[interaction.name]) for name in _GO_ON}
    return answer


_WRITTEN = {
    "create": ("$request.path.type", "$response.body#/id"),
    "update": ("$request.path.type", "$request.path.id"),
}
"""Where the type and the id of a resource stand once it has been written."""
_GO_ON = ("read", "update", "delete", "history")


def _link(name: str, kind: str, ident: str) -> Json:
    return {"operationId": f"fhir-{name}", "parameters": {"type": kind, "id": ident}}
