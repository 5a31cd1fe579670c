"""Who may do what for billing, a clinic's own rules and codes, and a line that is for both sides."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from service.domain.actor import LOCAL, Actor
from service.domain.billing.codes import hcpcs
from service.domain.billing.confirmation import Chosen
from service.domain.billing.rule_sets import Payer
from service.domain.orthosis.episode import Check, Event
from service.errors import Conflict, Forbidden, Invalid, Misconfigured, NotFound
from service.storage.records import Records
from service.usecases import billing, billing_evidence, billing_export, orthoses, resources
from service.usecases.billing import Wish
from service.usecases.billing_clinic import Billing, billing_of
from tests.domain.billing.cases import DELIVERY, FITTED, PLAN, SIGNED, STATIC, US
from tests.domain.orthosis.orthoses import episode, event

SHIPPED = billing_of(None, None)
BILLER = Actor("bea", "Bea Invented", "biller")
CLINICIAN = Actor("ida", "Ida Invented", "clinician")
LINE = Chosen(hcpcs().system, "L3913", modifiers=("RT",))


def covered(records: Records, payer: str = "Medicare") -> str:
    """A patient with a coverage."""
    with records.write(LOCAL) as writer:
        patient = writer.create({"resourceType": "Patient", "name": [{"family": "Invented"}]}).reference
        coverage = {"status": "active", "beneficiary": {"reference": patient}, "payor": [{"display": payer}]}
        writer.create({"resourceType": "Coverage", **coverage})
    return patient


def ready(records: Records, patient: str, *events: Event, name: str = "one", **change: Any) -> str:
    """An episode that lacks nothing; its id."""
    made = episode(*(events or (FITTED,)), design=replace(STATIC, **change), name=f"{patient}-{name}")
    with records.write(CLINICIAN) as writer:
        told = orthoses.begin(writer, CLINICIAN, replace(made, patient=patient, by_name="Dr C.", reason="a fracture"))
        ident = told.episode.id
        billing_evidence.record_delivery(writer, CLINICIAN, SHIPPED, ident, DELIVERY)
        for given in (SIGNED, PLAN):
            billing_evidence.record_statement(writer, CLINICIAN, SHIPPED, ident, given)
    return ident


def confirm(records: Records, who: Actor, clinic: Billing, ident: str, *lines: Chosen, included: str = "") -> Any:
    with records.write(who) as writer:
        version = billing.look_at(writer, who, clinic, ident).version
        return billing.confirm(writer, who, clinic, ident, Wish(version, lines, included))


def test_a_biller_confirms_without_any_right_to_the_chart(records: Records) -> None:
    patient = covered(records)
    ident = ready(records, patient)
    with records.read() as reader:
        (case,) = billing.worklist(reader, BILLER, SHIPPED, patient=patient[8:])
        assert case.state == "ready"
        with pytest.raises(Forbidden):
            orthoses.read_episode(reader, BILLER, ident)
    case = confirm(records, BILLER, SHIPPED, ident, LINE)
    assert (case.state, case.last.by) == ("confirmed", "Bea Invented")
    with records.write(BILLER) as writer:
        assert billing_export.export(writer, BILLER, SHIPPED).charges == 1


DOORS: dict[str, Callable[[Any, Actor, str], Any]] = {
    "worklist": lambda w, who, _: billing.worklist(w, who, SHIPPED),
    "look": lambda w, who, i: billing.look_at(w, who, SHIPPED, i),
    "confirm": lambda w, who, i: billing.confirm(w, who, SHIPPED, i, Wish("x")),
    "ask": lambda w, who, i: billing.ask(w, who, SHIPPED, i, "?"),
    "answer": lambda w, who, i: billing.answer(w, who, SHIPPED, i, "!"),
    "keep": lambda w, who, i: billing.keep(w, who, SHIPPED, i, "x", "y"),
    "void": lambda w, who, i: billing.void(w, who, SHIPPED, i, "x", "y"),
    "export": lambda w, who, _: billing_export.export(w, who, SHIPPED),
    "exports": lambda w, who, _: billing_export.exports(w, who),
    "delivery": lambda w, who, i: billing_evidence.record_delivery(w, who, SHIPPED, i, DELIVERY),
    "statement": lambda w, who, i: billing_evidence.record_statement(w, who, SHIPPED, i, SIGNED),
}
NOT_FOR_BILLERS = {"delivery", "statement"}


@pytest.mark.parametrize("role", ["front-desk", "student", "researcher", "auditor", "administrator", ""])
@pytest.mark.parametrize("door", DOORS)
def test_closed_to_everybody_else(sqlite_records: Records, role: str, door: str) -> None:
    with sqlite_records.write(LOCAL) as writer, pytest.raises(Forbidden):
        DOORS[door](writer, Actor("x", "Xaver Invented", role), "nothing")


@pytest.mark.parametrize("door", DOORS)
def test_a_biller_writes_no_evidence(sqlite_records: Records, door: str) -> None:
    with sqlite_records.write(LOCAL) as writer:
        if door in NOT_FOR_BILLERS:
            with pytest.raises(Forbidden):
                DOORS[door](writer, BILLER, "nothing")
        elif door in ("worklist", "exports"):
            assert DOORS[door](writer, BILLER, "nothing") == []
        else:
            with pytest.raises((NotFound, Conflict)):
                DOORS[door](writer, BILLER, "nothing")


ONE_LINE = replace(
    US, name="one-line", payers=(Payer("One Line Payer"),), lines=replace(US.lines, bilateral="one-line")
)
TOGETHER = replace(SHIPPED, rule_sets=(ONE_LINE, *SHIPPED.rule_sets))


def test_a_line_for_both_sides_covers_the_other_episode(records: Records) -> None:
    patient = covered(records, "One Line Payer")
    right = ready(records, patient)
    left = ready(records, patient, name="two", side="left", holds=())
    both = replace(LINE, units=2, modifiers=("RT", "LT"))
    with pytest.raises(Invalid):
        confirm(records, BILLER, TOGETHER, left, included="ChargeItem/nothing")
    case = confirm(records, BILLER, TOGETHER, right, both)
    (charge,) = case.last.charges
    assert confirm(records, BILLER, TOGETHER, left, included=charge).state == "confirmed"
    with records.write(BILLER) as writer:
        assert billing_export.export(writer, BILLER, TOGETHER).charges == 1
        assert {c.state for c in billing.worklist(writer, BILLER, TOGETHER)} == {"confirmed"}
        version = billing.look_at(writer, BILLER, TOGETHER, right).version
        billing.void(writer, BILLER, TOGETHER, right, version, "both sides wrong")
        other = billing.look_at(writer, BILLER, TOGETHER, left)
        assert (other.state, [change.what for change in other.changed]) == ("needs-review", ["status"])
        billing.void(writer, BILLER, TOGETHER, left, other.version, "goes with the other")
        assert len(billing.charges_of(writer, other)) == 0
        found = billing_export.export(writer, BILLER, TOGETHER)
        assert (found.charges, found.reversals) == (0, 1)


def test_a_line_of_one_side_covers_no_other(records: Records) -> None:
    patient = covered(records)
    right, left = ready(records, patient), ready(records, patient, name="two", side="left", holds=())
    (charge,) = confirm(records, BILLER, SHIPPED, right, LINE).last.charges
    with pytest.raises(Invalid):
        confirm(records, BILLER, SHIPPED, left, included=charge)


def test_a_repair_is_a_line_of_its_own_day(records: Records) -> None:
    patient = covered(records)
    ident = ready(records, patient, FITTED, event("repaired", 9))
    labour = Chosen(hcpcs().system, "L4205", 2, ("RT",))
    case = confirm(records, BILLER, SHIPPED, ident, LINE, labour)
    with records.read() as reader:
        charges = billing.charges_of(reader, case)
    assert [(c.chosen.code, c.day, c.chosen.units) for c in charges] == [
        ("L3913", date(2026, 3, 2), 1),
        ("L4205", date(2026, 3, 9), 2),
    ]


def test_a_repair_since_asks_for_review_and_can_have_its_line(records: Records) -> None:
    patient = covered(records)
    ident = ready(records, patient)
    confirm(records, BILLER, SHIPPED, ident, LINE)
    with records.write(CLINICIAN) as writer:
        orthoses.record(writer, CLINICIAN, ident, [event("checked", 8, check=Check({"skin": "well"}))])
        assert billing.look_at(writer, BILLER, SHIPPED, ident).state == "confirmed"
        orthoses.record(writer, CLINICIAN, ident, [event("repaired", 9)])
        case = billing.look_at(writer, BILLER, SHIPPED, ident)
        assert [change.what for change in case.changed] == ["a repair of 2026-03-09, which was not there"]
        kept = billing.keep(writer, BILLER, SHIPPED, ident, case.version, "It was free of charge.")
        assert kept.state == "confirmed"
        billing.void(writer, BILLER, SHIPPED, ident, kept.version, "To be billed with the repair.")
    labour = Chosen(hcpcs().system, "L4205", 2, ("RT",))
    assert len(confirm(records, BILLER, SHIPPED, ident, LINE, labour).last.charges) == 2


def test_another_coverage_later_on_needs_review(records: Records) -> None:
    patient = covered(records)
    ident = ready(records, patient)
    confirm(records, BILLER, SHIPPED, ident, LINE)
    with records.write(BILLER) as writer:
        (cover,) = writer.of_patient(patient[8:], "Coverage")
        resources.update(writer, BILLER, {**cover.resource, "status": "cancelled"})
        case = billing.look_at(writer, BILLER, SHIPPED, ident)
        assert case.state == "needs-review"
        assert "the coverage in force on that day" in [change.what for change in case.changed]


def test_of_several_coverages_the_first_in_their_order_names_the_payer(records: Records) -> None:
    patient = covered(records, "Another Payer")
    with records.write(LOCAL) as writer:
        first = {"status": "active", "beneficiary": {"reference": patient}, "payor": [{"display": "Medicare"}]}
        writer.create({"resourceType": "Coverage", "order": 1, **first})
    ident = ready(records, patient)
    with records.read() as reader:
        assert billing.look_at(reader, BILLER, SHIPPED, ident).choice.rules.name == "general-us"


def test_an_address_of_the_patient_is_no_correction_and_a_name_is(records: Records) -> None:
    patient = covered(records)
    ident = ready(records, patient)
    confirm(records, BILLER, SHIPPED, ident, LINE)
    with records.write(CLINICIAN) as writer:
        person = writer.get("Patient", patient[8:]).resource
        resources.update(writer, CLINICIAN, {**person, "address": [{"city": "Vienna"}]})
        assert billing.look_at(writer, BILLER, SHIPPED, ident).state == "confirmed"
        resources.update(writer, CLINICIAN, {**person, "name": [{"family": "Other"}]})
        case = billing.look_at(writer, BILLER, SHIPPED, ident)
        assert (case.state, [change.what for change in case.changed]) == ("needs-review", ["name"])


def test_evidence_deleted_later_needs_review(records: Records) -> None:
    patient = covered(records)
    ident = ready(records, patient)
    case = confirm(records, BILLER, SHIPPED, ident, LINE)
    statement = case.dossier.statements[0].reference
    with records.write(CLINICIAN) as writer:
        resources.delete(writer, CLINICIAN, *statement.split("/"))
        found = billing.look_at(writer, BILLER, SHIPPED, ident)
        assert [(change.reference, change.what) for change in found.changed] == [(statement, "it was deleted")]


# What the clinic sets


def _file(**change: Any) -> bytes:
    whole = {
        "name": "own",
        "title": "Own rules",
        "version": "2026",
        "source": "the clinic's contract",
        "jurisdiction": "",
        "payers": [{"name": "Another Payer"}],
        "valid_from": "2026-01-01",
        "evidence": [{"item": "supplier", "source": "the contract"}],
        "date_of_service": {"at": "fitting", "source": "the contract"},
        "lines": {"required": True, "bilateral": "one-line", "source": "the contract"},
        "code_systems": [],
        "says": "As agreed.",
        **change,
    }
    return json.dumps(whole).encode()


def test_a_clinics_own_rules_and_codes(records: Records, tmp_path: Path) -> None:
    (tmp_path / "own.json").write_bytes(_file())
    table = tmp_path / "codes.csv"
    table.write_text("code,system,text,forms,regions\nA1,https://clinic.example/codes,Splint,orthosis,hand-finger\n")
    clinic = billing_of(tmp_path, table)
    assert [rules.label for rules in clinic.rule_sets] == ["own 2026", "general-us 1", "record-only 1"]
    patient = covered(records, "Another Payer")
    case = confirm(records, BILLER, clinic, ready(records, patient), Chosen("https://clinic.example/codes", "A1"))
    assert (case.choice.rules.name, [item.item for item in case.items]) == ("own", ["supplier"])
    assert case.last.rules == "own 2026"


def test_own_rules_take_the_place_of_shipped_ones_of_their_name(tmp_path: Path) -> None:
    (tmp_path / "own.json").write_bytes(_file(name="general-us"))
    assert [rules.label for rules in billing_of(tmp_path, None).rule_sets] == ["general-us 2026", "record-only 1"]


@pytest.mark.parametrize(
    "content",
    [
        b"not JSON",
        _file(colour="blue"),
        _file(valid_from="soon"),
        _file(evidence=[{"item": "hearsay", "source": "x"}]),
        _file(lines={"required": True, "bilateral": "neither", "source": "x"}),
        _file(evidence=[{"item": "supplier", "source": ""}]),
    ],
)
def test_rules_that_cannot_be_used_are_named(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "own.json").write_bytes(content)
    with pytest.raises(Misconfigured) as refused:
        billing_of(tmp_path, None)
    assert "HANDRECORD_BILLING_RULES, own.json" in refused.value.issues[0].where


def test_files_that_are_not_there_are_named(tmp_path: Path) -> None:
    for rules, codes in ((tmp_path / "nowhere", None), (None, tmp_path / "nowhere.csv"), (tmp_path, None)):
        with pytest.raises(Misconfigured) as refused:
            billing_of(rules, codes)
        assert refused.value.issues[0].where.startswith("HANDRECORD_BILLING_")
    (tmp_path / "codes.csv").write_bytes(b"\xff\xfe")
    with pytest.raises(Misconfigured):
        billing_of(None, tmp_path / "codes.csv")
