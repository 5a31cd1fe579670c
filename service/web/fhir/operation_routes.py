"""The operations that read as interactions: their addresses and their description."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.operations import DERIVE, OPERATIONS, Operation
from service.web.fhir.interactions import Interaction, Parameter
from service.web.fhir.operations import Operations

_EXAMPLES = {
    "_type": "Observation,Condition",
    "_since": "2026-03-01T00:00:00Z",
    "start": "2026-01-01",
    "end": "2026-03-31",
    "_count": "50",
    "max": "3",
    "statistic": "average",
    "subject": "Patient/1",
    "count": "20",
}
_IN_BODIES = ("Coding", "CodeableConcept", "Period")


def operation_interactions(operations: Operations, *more: Parameter) -> Iterator[Interaction]:
    """Every operation that reads, at each of its levels, by GET and by POST; `more` are parameters of them all."""
    for operation in OPERATIONS:
        if operation.by_get and operation is not DERIVE:
            for level in operation.levels:
                yield from _of_level(operations, operation, level, more)


def _of_level(
    operations: Operations, operation: Operation, level: str, more: tuple[Parameter, ...]
) -> Iterator[Interaction]:
    (kind,) = operation.types
    path = f"/{kind}/{{id}}/${operation.name}" if level == "instance" else f"/{kind}/${operation.name}"
    endpoint, name = operations.reading(operation, kind), operation.name
    if level == "instance" and "type" in operation.levels:
        name = f"{name}-instance"
    gives = operation.results[0].type if operation.results[0].name == "return" else "Parameters"
    answers = {200: f"{operation.results[0].meaning}"}
    free = [Parameter("parameters", "query", "Any search parameters of the type.", free=True)] * operation.searches
    inputs = (
        Parameter(each.name, "query", each.meaning, _EXAMPLES.get(each.name, ""))
        for each in operation.inputs
        if each.type not in _IN_BODIES
    )
    summary = f"{operation.title}."
    yield Interaction(
        name, "GET", path, endpoint, summary, answers, operation.meaning, gives=gives,
        parameters=(*free, *inputs, *more),
    )  # fmt: skip
    yield Interaction(
        f"{name}-by-post", "POST", path, endpoint, summary, answers, operation.meaning, takes="parameters",
        gives=gives, parameters=more,
    )  # fmt: skip
