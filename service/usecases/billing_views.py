"""What a biller sees, as plain JSON: never a measurement, an angle, a finding, or a clinician's own words."""

from __future__ import annotations

from typing import Any

from service.domain.billing.confirmation import STATES, Charge, Round
from service.domain.billing.lines import Candidate
from service.domain.billing.rule_sets import DECIDES
from service.domain.orthosis.naming import descriptive_name
from service.domain.result_json import plain
from service.usecases.billing_cases import Case


def brief(case: Case) -> dict[str, Any]:
    """One episode as a line of the worklist."""
    told, rules = case.dossier.told, case.choice.rules
    design, last = told.design, case.last
    return {
        "id": told.episode.id,
        "state": case.state,
        "means": STATES[case.state],
        "lacks": list(case.lacks),
        "question": last.question if last and case.state == "returned" else "",
        "changed": plain(case.changed),
        "patient": {
            "reference": case.patient.reference,
            "name": case.dossier.patient_name,
            "born": case.dossier.born.isoformat() if case.dossier.born else None,
        },
        "orthosis": {
            "name": descriptive_name(design),
            "form": design.form,
            "region": design.region,
            "fabrication": design.fabrication,
            "side": design.side,
            "digits": list(design.digits),
            "state": told.life.state,
        },
        "date_of_service": case.served.day.isoformat() if case.served.day else None,
        "date_of_service_because": case.served.because,
        "coverage": case.cover.reference if case.cover else None,
        "payers": [payer.name or payer.value for payer in case.cover.payers] if case.cover else [],
        "rules": {
            "name": rules.name,
            "version": rules.version,
            "title": rules.title,
            "because": case.choice.because,
            "source": rules.source,
            "says": rules.says,
        },
        "version": case.version,
        "note": DECIDES,
    }


def full(case: Case, charges: list[Charge]) -> dict[str, Any]:
    """One episode with its checklist, its candidate lines, and what was decided."""
    lines = case.lines
    return {
        **brief(case),
        "checklist": plain(case.items),
        "candidates": [_candidate(each) for each in lines.candidates],
        "none_fits": lines.none_fits,
        "codes_for_other_parts": lines.left_out,
        "included_in_descriptors": list(lines.included),
        "about_lines": list(lines.notes),
        "decisions": [_round(each) for each in sorted(case.rounds, key=lambda each: each.at)],
        "charges": [_charge(each) for each in charges],
    }


def _candidate(given: Candidate) -> dict[str, Any]:
    return {
        "system": given.code.system,
        "code": given.code.code,
        "display": given.code.display,
        "edition": given.code.edition,
        "fit": given.fit,
        "reasons": plain(given.reasons),
        "units": given.units,
        "unit_is": given.code.per,
        "modifiers": plain(given.modifiers),
        "date_of_service": given.day.isoformat(),
        "supplier": given.supplier,
        "validity": given.validity,
    }


def _round(given: Round) -> dict[str, Any]:
    told = ("id", "status", "by", "charges", "rules", "question", "answer", "reason", "notes")
    return {
        **{name: plain(getattr(given, name)) for name in told},
        "at": given.at.isoformat(),
        "rests_on": [f"{each.reference}/_history/{each.version}" for each in given.seen],
    }


def _charge(given: Charge) -> dict[str, Any]:
    return {
        "reference": f"ChargeItem/{given.id}",
        "code": given.chosen.code,
        "system": given.chosen.system,
        "units": given.chosen.units,
        "modifiers": list(given.chosen.modifiers),
        "why": given.chosen.why,
        "date_of_service": given.day.isoformat(),
        "confirmed_by": given.by,
        "confirmed_at": given.at.isoformat(),
        "export": given.export,
        "void": given.void,
        "reversal": given.reversal,
    }
