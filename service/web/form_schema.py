"""The schema of a form that is sent, whole in one place."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel


def form_schema(form: type[BaseModel]) -> dict[str, Any]:
    """JSON Schema of a form, the forms within it written out where they are used."""
    schema = form.model_json_schema()
    parts = schema.pop("$defs", {})

    def whole(value: Any) -> Any:
        if isinstance(value, list):
            return [whole(each) for each in value]
        if not isinstance(value, dict):
            return value
        beside = {name: whole(each) for name, each in value.items() if name != "$ref"}
        return {**whole(parts[value["$ref"].rpartition("/")[2]]), **beside} if "$ref" in value else beside

    found: dict[str, Any] = whole(schema)
    return found
