"""What is sent about orthoses: invented examples, and the schemas of the forms."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from service.usecases.orthosis_input import EpisodeForm, EventsForm, RetractionForm, WearsForm

EXAMPLE: dict[str, Any] = {
    "patient": {"system": "https://clinic.example/file", "value": "12"},
    "decided": "2026-03-02",
    "name": "Cast 1, ring finger",
    "by": {"name": "A. Invented, hand therapist"},
    "reason": "PIP joint short of extension after a sprain",
    "series": {"name": "ring finger", "number": 1},
    "design": {
        "side": "right",
        "form": "cast",
        "region": "finger",
        "digits": ["ring"],
        "holds": [{"joint": "ring-pip", "motion": "flexion", "angle": 40}],
        "free": ["ring-mcp", "ring-dip"],
        "direction": "extension",
        "purpose": "mobilise",
        "mechanism": "serial-static",
        "material": "plaster of Paris",
        "fabrication": "custom",
        "removable": "no",
        "end_range": {"motion": "extension", "assumption": "set where the joint stopped under a gentle hand"},
    },
    "events": [
        {"kind": "fitted", "at": "2026-03-02T10:15+01:00", "by": {"name": "A. Invented, hand therapist"}},
        {"kind": "worn", "at": "2026-03-02T10:15+01:00", "regimen": {"wearing": "continuous"}},
    ],
}
"""An invented episode."""
EVENTS_EXAMPLE: dict[str, Any] = {
    "events": [
        {
            "kind": "checked",
            "at": "2026-03-05T09:00+01:00",
            "by": {"name": "A. Invented, hand therapist"},
            "check": {"findings": {"colour": "as the other hand", "sensation": "no numbness"}, "red_flag": False},
        }
    ],
    "after": 2,
}


def body(name: str, example: dict[str, Any]) -> dict[str, Any]:
    """How OpenAPI describes a body of this schema."""
    content = {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}, "example": example}}
    return {"requestBody": {"required": True, "content": content}}


def orthosis_schemas() -> dict[str, Any]:
    """The schemas of what is sent, each under a name of its own, with the parts they are made of."""
    found: dict[str, Any] = {}
    forms: dict[str, type[BaseModel]] = {
        "OrthosisEpisode": EpisodeForm,
        "OrthosisEvents": EventsForm,
        "OrthosisRetraction": RetractionForm,
        "OrthosisWear": WearsForm,
    }
    for name, form in forms.items():
        schema = form.model_json_schema(ref_template="#/components/schemas/Orthosis{model}")
        parts = schema.pop("$defs", {})
        found |= {f"Orthosis{part}": content for part, content in parts.items()}
        found[name] = schema
    return found
