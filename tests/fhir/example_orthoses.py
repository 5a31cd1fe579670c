"""What belongs to an orthosis and to its billing, as resources: examples in `examples/resources/good`.

`python -m tests.fhir.example_orthoses` writes the resource of each that has none yet; it is then read against R4's page
of its type (https://hl7.org/fhir/R4/resourcelist.html) before it is kept.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import msgspec

from service.domain.orthosis.design import Component
from service.domain.orthosis.dose import Wear
from service.domain.orthosis.history import life_of
from service.fhir.billing import to_provenance, to_supply_delivery
from service.fhir.charges import to_charge_item, to_task
from service.fhir.orthosis import to_resources
from service.fhir.orthosis.wear import to_observation
from service.fhir.text import Json, dump, parse
from tests.domain.billing.cases import DELIVERY, FITTED, SIGNED, STATIC, told
from tests.domain.orthosis.orthoses import event, worn

from .example_courses import FOLDER
from .test_billing import CHARGE, NOW, ROUND

_DESIGN = replace(STATIC, components=(Component("strap", id="example-strap"),))
_TOLD = told(event("ordered", 1, by_name="Dr C. Invented"), FITTED, worn(2, "night"), design=_DESIGN, name="example")
_USE = "DeviceUseStatement/example-2"


def _made() -> dict[str, Json]:
    found: dict[str, Json] = {}
    for resource in to_resources(_TOLD.episode, life_of(_TOLD.episode)):
        found.setdefault(_name_of(resource), resource)
    wear = Wear(date(2026, 3, 3), Decimal("7.5"), source="reported")
    billing = (
        to_supply_delivery(_TOLD.episode, DELIVERY) | {"id": "example-delivery"},
        to_provenance(_TOLD.episode, SIGNED, {"display": SIGNED.by}, NOW) | {"id": "example-statement"},
        to_task(ROUND),
        to_charge_item(CHARGE),
        to_observation(_TOLD.episode, wear, _USE) | {"id": "example-wear"},
    )
    found |= {_name_of(each): each for each in billing}
    return {name: _invented(each) for name, each in sorted(found.items())}


def _name_of(resource: Json) -> str:
    profile = str(resource["meta"]["profile"][0]).rpartition("/")[2]
    return f"{resource['resourceType']}-{profile}"


def _invented(resource: Json) -> Json:
    """The same of the patient of all other examples."""
    text = dump(resource)
    for end in (b'"', b"/"):
        text = text.replace(b'"Patient/1' + end, b'"Patient/example-patient' + end)
    return parse(text)


STATED = _made()


def main() -> None:
    for name, resource in STATED.items():
        path = FOLDER / f"{name}.json"
        if not path.exists():
            path.write_bytes(msgspec.json.format(dump(resource), indent=2) + b"\n")


if __name__ == "__main__":
    main()
