"""Charges as rows: readable again, and harmless in a spreadsheet.

Signs that begin a formula: CWE-1236 names =, +, - and @; tab, line breaks and full-width forms are from memory.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.billing.charge_rows import COLUMNS, harmless, heading, row
from service.domain.billing.confirmation import Charge, Chosen

CHARGE = Charge(
    "c1", "one", ("s", "v"), "Patient/1", Chosen("https://clinic.example/codes", "A1", 2, ("RT", "LT")), "Orthosis",
    "2019", "right", ("ring",), date(2026, 3, 2), "Device/d", "Clinic", "", (), (), "general-us 1", "Coverage/c", "Bea",
    datetime(2026, 3, 9, tzinfo=UTC),
)  # fmt: skip


def read(*rows: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO("".join(rows), newline="")))


def test_a_row_is_read_again_as_it_was() -> None:
    person = {"identifier": "P-1", "family": "Invented", "given": "Ida", "birthdate": "1960-05-06"}
    (line,) = read(heading(), row("charge", CHARGE, person, {"subscriber": "S-1", "payer": "Payer, Inc."}))
    assert tuple(line) == COLUMNS
    assert (line["units"], line["modifiers"], line["digits"], line["payer"]) == ("2", "RT LT", "ring", "Payer, Inc.")
    assert line["confirmed_at"] == "2026-03-09T00:00:00+00:00"


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n", " =", "＝"])
def test_what_a_spreadsheet_would_compute_is_text(sign: str) -> None:
    (line,) = read(heading(), row("charge", replace(CHARGE, by=f"{sign}1+1"), {}, {}))
    assert line["confirmed_by"] == f"'{sign}1+1"


@given(st.text(alphabet=st.characters(exclude_categories=("Cs",), exclude_characters="\x00")))
def test_any_text_comes_back_and_computes_nothing(text: str) -> None:
    (line,) = read(heading(), row("charge", replace(CHARGE, void=text), {}, {}))
    assert line["void_reason"] in (text, f"'{text}")
    assert not line["void_reason"].startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert harmless("1 Invented Street") == "1 Invented Street"
