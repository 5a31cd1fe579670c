"""The operations as OperationDefinitions (https://hl7.org/fhir/R4/operationdefinition.html)."""

from __future__ import annotations

from service.fhir.operations import OPERATIONS, Argument, Operation
from service.fhir.published import definition
from service.fhir.text import Json


def operation_definitions() -> list[Json]:
    """One for each operation."""
    return [_definition(one) for one in OPERATIONS]


def _definition(operation: Operation) -> Json:
    content: Json = {"kind": "operation", "affectsState": operation.changes, "code": operation.name}
    if operation.base:
        content["base"] = operation.base
    content |= {"resource": list(operation.types), "system": False}
    content |= {"type": "type" in operation.levels, "instance": "instance" in operation.levels}
    parameters = [_parameter(each, "in") for each in operation.inputs]
    parameters += [_parameter(each, "out") for each in operation.results]
    return definition(
        "OperationDefinition", operation.id, operation.title, _described(operation), **content, parameter=parameters
    )


def _described(operation: Operation) -> str:
    more = " Beside these inputs it takes the search parameters of the type." if operation.searches else ""
    part = " What is not named here of R4's operation is not offered." if operation.base else ""
    return f"{operation.meaning}{more}{part}"


def _parameter(argument: Argument, use: str) -> Json:
    made: Json = {
        "name": argument.name,
        "use": use,
        "min": argument.least,
        "max": argument.most,
        "documentation": argument.meaning,
    }
    if argument.parts:
        return made | {"part": [_parameter(part, use) for part in argument.parts]}
    return made | {"type": argument.type}
