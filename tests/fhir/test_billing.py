"""What proves and confirms an episode as resources and back, clean under validators that this project did not write."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from service.domain.billing.confirmation import Charge, Chosen, Round, Seen
from service.domain.billing.dossier import Cover, Delivery, Statement
from service.domain.billing.rule_sets import Payer
from service.errors import Invalid
from service.fhir import text
from service.fhir.billing import (
    from_coverage,
    from_provenance,
    from_supply_delivery,
    material,
    to_provenance,
    to_supply_delivery,
)
from service.fhir.billing_names import DECISIONS
from service.fhir.charges import from_charge_item, from_task, to_charge_item, to_task
from service.fhir.claims import check_claims
from tests.conformance.validators import VALIDATORS, complaints
from tests.domain.billing.cases import DELIVERY, SIGNED, told

NOW = datetime(2026, 3, 9, 10, 30, tzinfo=UTC)
KEY = ("https://clinic.example/orthosis", "one")
EPISODE = told().episode
ROUND = Round(
    id="r1",
    status="confirmed",
    by="Bea Invented",
    at=NOW,
    episode="one",
    key=KEY,
    patient="Patient/1",
    seen=(Seen("Patient/1", 2), Seen("ServiceRequest/one", 3)),
    charges=("ChargeItem/c1",),
    rules="general-us 1",
    day=date(2026, 3, 2),
    cover="Coverage/c",
    notes=("Kept by Bea Invented: a slip",),
    version=4,
)
CHARGE = Charge(
    id="c1",
    episode="one",
    key=KEY,
    patient="Patient/1",
    chosen=Chosen("https://clinic.example/codes", "A1", 1, ("RT", "RA"), "It has a hinge."),
    display="Finger orthosis",
    edition="2019",
    side="right",
    digits=("ring", "little"),
    day=date(2026, 3, 2),
    device="Device/one-device",
    supplier="Invented Hand Clinic",
    supplier_reference="Organization/o",
    procedures=("Procedure/one-1",),
    evidence=("SupplyDelivery/d", "Provenance/s"),
    rules="general-us 1",
    cover="Coverage/c",
    by="Bea Invented",
    at=NOW,
)
ROUNDS = [
    ROUND,
    replace(ROUND, status="returned", seen=(), charges=(), question="Who signed?", answer="Dr C.", cover="", day=None),
    replace(ROUND, status="returned", seen=(), charges=(), question="Who signed?", notes=()),
    replace(ROUND, status="void", reason="Billed twice."),
]
CHARGES = [
    CHARGE,
    replace(CHARGE, export="e1"),
    replace(CHARGE, export="e1", void="Billed twice.", reversal="e2"),
    replace(CHARGE, digits=(), supplier="", supplier_reference="", procedures=(), evidence=(), cover="",
            chosen=Chosen("https://clinic.example/codes", "A1")),
]  # fmt: skip
DELIVERIES = [DELIVERY, Delivery(date(2026, 3, 2), 2, reference="SupplyDelivery/d")]
STATEMENTS = [SIGNED, replace(SIGNED, item="plan-of-care", signed=False)]


def resources() -> list[text.Json]:
    found = [to_task(each) for each in ROUNDS] + [to_charge_item(each) for each in CHARGES]
    found += [{**to_supply_delivery(EPISODE, each), "id": "d"} for each in DELIVERIES]
    found += [{**to_provenance(EPISODE, each, {"display": each.by}, NOW), "id": "s"} for each in STATEMENTS]
    return [text.parse(text.dump(each)) for each in found]


@pytest.mark.parametrize("validator", VALIDATORS)
def test_no_validator_complains(validator: str) -> None:
    found = [str(complaint) for resource in resources() for complaint in complaints(validator, resource)]
    assert found == []
    assert [issue for resource in resources() for issue in check_claims(resource)] == []


@pytest.mark.parametrize("given", ROUNDS)
def test_a_decision_comes_back(given: Round) -> None:
    assert from_task(text.parse(text.dump(to_task(given))), given.version) == given


def test_the_table_of_decisions_is_the_one_written_down() -> None:
    """State by state, as DEVELOPERS.md has it."""
    text_ = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text()
    table = text_[text_.index("| decision | Task") :].split("\n\n")[0].splitlines()[2:]
    rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in table]
    assert {row[0] for row in rows} == set(DECISIONS)
    for status, task, charge, exported in rows:
        assert to_task(replace(ROUND, status=status))["status"] == task
        if charge != "–":
            void = "Billed twice." if status == "void" else ""
            assert to_charge_item(replace(CHARGE, void=void))["status"] == charge
            assert to_charge_item(replace(CHARGE, void=void, export="e1"))["status"] == exported


@pytest.mark.parametrize("given", CHARGES)
def test_a_charge_comes_back(given: Charge) -> None:
    assert from_charge_item(text.parse(text.dump(to_charge_item(given)))) == given


@pytest.mark.parametrize("given", DELIVERIES)
def test_a_delivery_comes_back(given: Delivery) -> None:
    assert from_supply_delivery({**to_supply_delivery(EPISODE, given), "id": "d"}) == given


@pytest.mark.parametrize("given", STATEMENTS)
def test_a_statement_comes_back(given: Statement) -> None:
    made = to_provenance(EPISODE, given, {"display": given.by}, NOW)
    assert from_provenance({**made, "id": "s"}) == given


@pytest.mark.parametrize(
    ("change", "read"),
    [
        ({"occurrenceDateTime": "2026"}, from_supply_delivery),
        ({"occurrenceDateTime": None}, from_supply_delivery),
        ({"identifier": []}, from_supply_delivery),
        ({"activity": {"text": "hearsay"}}, from_provenance),
        ({"occurredDateTime": "March"}, from_provenance),
    ],
)
def test_what_states_nothing_is_refused(change: dict[str, Any], read: Any) -> None:
    whole = to_supply_delivery(EPISODE, DELIVERY)
    if read is from_provenance:
        whole = to_provenance(EPISODE, SIGNED, {"display": "x"}, NOW)
    with pytest.raises(Invalid):
        read({**whole, **change})


def test_a_coverage_names_its_payers_in_every_way() -> None:
    organisation = {"name": "Invented Payer", "alias": ["IP"], "identifier": [{"system": "urn:x", "value": "7"}]}
    coverage = {
        "id": "c",
        "payor": [{"reference": "Organization/o"}, {"display": "Medicare"}],
        "period": {"start": "2026-01-01", "end": "2026-12"},
        "subscriberId": "S-1",
    }
    assert from_coverage(coverage, {"Organization/o": organisation}) == Cover(
        "Coverage/c",
        (Payer("Invented Payer"), Payer("IP"), Payer("", "urn:x", "7"), Payer("Medicare")),
        date(2026, 1, 1),
        None,
        "S-1",
    )


def _worn(**period: str) -> dict[str, Any]:
    return {"timingTiming": {"repeat": {"boundsPeriod": period}}}


@pytest.mark.parametrize(
    ("kind", "before", "after", "same"),
    [
        ("ServiceRequest", {"status": "active"}, {"status": "completed"}, True),
        ("ServiceRequest", {"status": "active"}, {"status": "entered-in-error"}, False),
        ("Device", {"status": "active", "property": [1]}, {"status": "inactive", "property": [2]}, True),
        ("Device", {"deviceName": [1]}, {"deviceName": [2]}, False),
        ("Procedure", {"status": "completed"}, {"status": "entered-in-error"}, False),
        ("Patient", {"telecom": [1]}, {"telecom": [2]}, True),
        ("Patient", {"birthDate": "2000"}, {"birthDate": "2001"}, False),
        ("ChargeItem", {"status": "billable"}, {"status": "billed"}, True),
        ("ChargeItem", {"status": "billed"}, {"status": "aborted"}, False),
        ("DeviceUseStatement", _worn(start="2026-03-02"), _worn(start="2026-03-02", end="2026-03-09"), True),
        ("DeviceUseStatement", _worn(start="2026-03-02"), _worn(start="2026-03-03"), False),
    ],
)
def test_what_is_a_correction_and_what_goes_on(
    kind: str, before: dict[str, Any], after: dict[str, Any], same: bool
) -> None:
    one, other = ({"resourceType": kind, **each} for each in (before, after))
    assert (material(one) == material(other)) == same
