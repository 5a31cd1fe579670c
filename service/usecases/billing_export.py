"""Handing confirmed charges over: each line leaves once, and an export gives the same bytes again.

A charge that needs review stays. One that was voided after it left leaves once more, as a reversal.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from uuid import uuid4

from service.domain.actor import Actor
from service.domain.billing.charge_rows import CHARGE, REVERSAL, heading, row
from service.domain.billing.confirmation import Charge
from service.errors import Conflict, Issue
from service.fhir import text
from service.fhir.billing_names import CHARGE_PROFILE, claims
from service.fhir.charges import from_charge_item, to_charge_item
from service.fhir.search_dates import micros, moment
from service.fhir.text import Json
from service.storage.charge_exports import ENVELOPE, Line
from service.storage.records import Reader, Writer
from service.usecases.billing import every, write
from service.usecases.billing_cases import Case, cases_of
from service.usecases.billing_clinic import Billing
from service.usecases.doors import enter_operation


@dataclass(frozen=True, slots=True)
class Export:
    """One export: its id, when it was made, its lines, and both of its forms."""

    id: str
    at: datetime
    charges: int
    reversals: int
    csv: bytes
    bundle: bytes


def export(writer: Writer, actor: Actor, billing: Billing) -> Export:
    """Hand over every confirmed charge that has not left yet, and the reversal of every voided one that has.

    Raises `Conflict` where there is none.
    """
    with enter_operation(actor, "billing-export") as door:
        ident, now = str(uuid4()), datetime.now(UTC)
        lines = [Line(ident, 0, "", ENVELOPE, ident, micros(now), heading(), _envelope(ident, now))]
        for kind, charge, case in _due(writer, billing):
            patient = charge.patient.removeprefix("Patient/")
            door.about(patient)
            gone = replace(charge, export=ident) if kind == CHARGE else replace(charge, reversal=ident)
            stored = write(writer, to_charge_item(gone))
            told = row(kind, gone, _person(writer.get("Patient", patient).resource), _cover(case, gone))
            entry = text.dump({"fullUrl": f"urn:uuid:{gone.id}", "resource": stored.resource}).decode()
            lines.append(Line(ident, len(lines), patient, kind, gone.id, micros(now), told, entry))
        if len(lines) == 1:
            message = "There is nothing to export: every confirmed charge has left, or needs review."
            raise Conflict(Issue("business-rule", message, rule="something-to-export"))
        writer.export(lines)
        return _export(lines)


def _due(reader: Reader, billing: Billing) -> Iterator[tuple[str, Charge, Case | None]]:
    """Each line that leaves now: what kind it is, the charge, and its episode, if that is still this patient's."""
    charges: dict[str, list[Charge]] = {}
    for stored in every(reader, "ChargeItem"):
        if claims(stored.resource, CHARGE_PROFILE):
            charge = from_charge_item(stored.resource)
            if _kind(charge):
                charges.setdefault(stored.patient, []).append(charge)
    for patient, waiting in charges.items():
        cases = {case.dossier.told.episode.id: case for case in cases_of(reader, billing, patient)}
        for charge in waiting:
            case, kind = cases.get(charge.episode), _kind(charge)
            if kind == REVERSAL or (case and case.state == "confirmed"):
                yield kind, charge, case


def _kind(charge: Charge) -> str:
    """What a charge would leave as; empty for one that leaves no more."""
    if charge.void:
        return REVERSAL if charge.export and not charge.reversal else ""
    return "" if charge.export else CHARGE


def _envelope(ident: str, now: datetime) -> str:
    bundle: Json = {
        "resourceType": "Bundle",
        "id": ident,
        "identifier": {"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{ident}"},
        "type": "collection",
        "timestamp": now.isoformat(),
    }
    return text.dump(bundle).decode()


def _person(patient: Json) -> dict[str, str]:
    name = (patient.get("name") or [{}])[0]
    identifier = (patient.get("identifier") or [{}])[0]
    return {
        "identifier": str(identifier.get("value", "")),
        "family": str(name.get("family", "")),
        "given": " ".join(name.get("given") or []),
        "birthdate": str(patient.get("birthDate", "")),
    }


def _cover(case: Case | None, charge: Charge) -> dict[str, str]:
    covers = case.dossier.covers if case else ()
    cover = next((each for each in covers if each.reference == charge.cover), None)
    if cover is None:
        return {}
    payer = next((each.name for each in cover.payers if each.name), "")
    return {"subscriber": cover.number, "payer": payer}


def find_export(reader: Reader, actor: Actor, ident: str) -> Export:
    """An export as it was made, to the byte. Raises `NotFound`."""
    with enter_operation(actor, "billing-export") as door:
        lines = reader.exported(ident)
        for patient in {line.patient for line in lines if line.patient}:
            door.about(patient)
        return _export(lines)


def exports(reader: Reader, actor: Actor) -> list[tuple[str, datetime]]:
    """Id and time of every export, newest first."""
    with enter_operation(actor, "billing-export"):
        return [(ident, moment(at)) for ident, at in reader.exports()]


def _export(lines: list[Line]) -> Export:
    envelope, rest = lines[0], lines[1:]
    entries = ",".join(line.entry for line in rest)
    return Export(
        envelope.export,
        moment(envelope.at),
        sum(line.kind == CHARGE for line in rest),
        sum(line.kind == REVERSAL for line in rest),
        "".join(line.csv for line in lines).encode(),
        f'{envelope.entry[:-1]},"entry":[{entries}]}}'.encode(),
    )
