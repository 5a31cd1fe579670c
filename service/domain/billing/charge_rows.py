"""Confirmed charges as rows of a table that other programs and spreadsheets read.

A spreadsheet takes a cell that begins with one of a few signs for a formula; such cells get an apostrophe in front.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from io import StringIO

from service.domain.billing.confirmation import Charge

CHARGE, REVERSAL = "charge", "reversal"
COLUMNS = (
    "kind", "charge", "patient", "patient_identifier", "family", "given", "birthdate", "coverage", "subscriber",
    "payer", "system", "code", "text", "units", "modifiers", "date_of_service", "side", "digits", "supplier", "rules",
    "confirmed_by", "confirmed_at", "void_reason",
)  # fmt: skip
"""The heading. A reversal has the kind `reversal` and the charge it takes back; its units are those taken back."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
Told = Mapping[str, str]


def heading() -> str:
    """The first line."""
    return _line(COLUMNS)


def row(kind: str, charge: Charge, person: Told, cover: Told) -> str:
    """One line: `person` tells identifier, family, given and birthdate, `cover` subscriber and payer."""
    chosen = charge.chosen
    told = {
        "kind": kind,
        "charge": charge.id,
        "patient": charge.patient,
        "patient_identifier": person.get("identifier", ""),
        "family": person.get("family", ""),
        "given": person.get("given", ""),
        "birthdate": person.get("birthdate", ""),
        "coverage": charge.cover,
        "subscriber": cover.get("subscriber", ""),
        "payer": cover.get("payer", ""),
        "system": chosen.system,
        "code": chosen.code,
        "text": charge.display,
        "units": str(chosen.units),
        "modifiers": " ".join(chosen.modifiers),
        "date_of_service": charge.day.isoformat(),
        "side": charge.side,
        "digits": " ".join(charge.digits),
        "supplier": charge.supplier or charge.supplier_reference,
        "rules": charge.rules,
        "confirmed_by": charge.by,
        "confirmed_at": charge.at.isoformat(),
        "void_reason": charge.void,
    }
    return _line([told[name] for name in COLUMNS])


def harmless(text: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text


def _line(cells: tuple[str, ...] | list[str]) -> str:
    written = StringIO()
    csv.writer(written, lineterminator="\r\n").writerow([harmless(cell) for cell in cells])
    return written.getvalue()
