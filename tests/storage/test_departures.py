"""With what a resource has left the record."""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa

from service.domain.actor import LOCAL
from service.storage.charge_exports import ENVELOPE, Line, keep
from service.storage.departures import Departure
from service.storage.records import Records
from service.storage.research_tables import pseudonym, release
from service.storage.tables import txn


def patient(records: Records) -> str:
    with records.write(LOCAL) as writer:
        return writer.create({"resourceType": "Patient"}).id


def released(records: Records, study: str, number: int, *names: str) -> None:
    """A release of a study that named these patients, as of the last transaction."""
    with records.aside() as connection:
        last = connection.execute(sa.select(sa.func.max(txn.c.number))).scalar()
        made = {"id": f"{study}-{number}", "study": study, "number": number, "txn": last, "manifest": json.dumps({})}
        connection.execute(release.insert(), [made])
        named: list[dict[str, Any]] = [
            {"study": study, "type": "Patient", "id": ident, "patient": ident, "name": f"n{ident}", "weeks": 0}
            for ident in names
        ]
        if named:
            connection.execute(pseudonym.insert(), named)


def left(records: Records, *keys: tuple[str, str]) -> list[Departure]:
    with records.read() as reader:
        return reader.departures(set(keys))


def test_a_release_holds_what_was_named_in_its_study_and_was_there_by_then(records: Records) -> None:
    one, other = patient(records), patient(records)
    released(records, "s1", 1, one)
    released(records, "s2", 1)
    later = patient(records)
    released(records, "s1", 2, later)
    with records.write(LOCAL) as writer:
        writer.update({**writer.get("Patient", one).resource, "active": True})
    assert left(records, ("Patient", one)) == [
        Departure("release", "s1-1", f"Patient/{one}"), Departure("release", "s1-2", f"Patient/{one}"),
    ]  # fmt: skip
    assert left(records, ("Patient", later)) == [Departure("release", "s1-2", f"Patient/{later}")]
    assert left(records, ("Patient", other), ("Observation", one)) == []


def test_an_export_holds_the_charges_on_its_lines(records: Records) -> None:
    lines = [
        Line("e1", 0, "", ENVELOPE, "e1", 1, "", ""),
        Line("e1", 1, "p", "charge", "c1", 1, "", ""),
        Line("e2", 1, "p", "reversal", "c1", 2, "", ""),
    ]
    with records.aside() as connection:
        keep(connection, lines)
    assert left(records, ("ChargeItem", "c1"), ("ChargeItem", "e1")) == [
        Departure("export of charges", "e1", "ChargeItem/c1"), Departure("export of charges", "e2", "ChargeItem/c1"),
    ]  # fmt: skip
