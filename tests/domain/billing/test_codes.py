"""The public codes against what was verified of them, and against what their own texts say.

The verified codes, with where each was seen (CMS, HCPC2019_CONTR_ANWEB.txt and others), are in terminology.csv beside
the public test material.
"""

from __future__ import annotations

import csv
import os
import re
from datetime import date
from pathlib import Path

import pytest

from service.domain.billing.codes import OWN, Code, hcpcs
from service.domain.billing.own_table import COLUMNS, own_table
from service.domain.orthosis.design import FABRICATION, REGIONS
from service.errors import Invalid

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def verified() -> dict[str, dict[str, str]]:
    path = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "../facts/terminology.csv"
    if not path.is_file():
        pytest.skip(f"the verified codes are not at {path}; HANDRECORD_TEST_DATA names the folder beside them")
    with path.open(newline="", encoding="utf-8") as lines:
        return {row["code"]: row for row in csv.DictReader(lines) if row["system"] == hcpcs().system}


def test_every_code_and_text_is_a_verified_one(verified: dict[str, dict[str, str]]) -> None:
    shipped = {code.code: code.display for code in hcpcs().codes} | dict(hcpcs().modifiers)
    assert shipped == {code: row["display"] for code, row in verified.items()}


def test_what_is_known_of_each_is_what_was_seen(verified: dict[str, dict[str, str]]) -> None:
    for code in hcpcs().codes:
        status = verified[code.code]["confidence"]
        assert code.short == ("short descriptor" in status), code.code
        assert code.reworded == ("may have changed" in status), code.code
        current = ">=2 independent" in status or "current in 2026-04" in status
        assert (code.seen == ("2019", "2020", "2026-04")) == current, code.code


REGION_OF = (
    (r"^Elbow wrist hand finger orthosis", "elbow-wrist-hand-finger"),
    (r"^Elbow wrist hand orthosis", "elbow-wrist-hand"),
    (r"^Elbow orthosis", "elbow"),
    (r"^Wrist hand finger orthosis", "wrist-hand-finger"),
    (r"^Wrist hand orthosis", "wrist-hand"),
    (r"^Hand finger orthosis", "hand-finger"),
    (r"^Hand orthosis", "hand"),
    (r"^Finger orthosis", "finger"),
)


def test_what_is_kept_of_a_descriptor_is_what_it_says() -> None:
    """Region, joints and fabrication of every orthosis, read from its own text."""
    read = set()
    for code in hcpcs().codes:
        region = next((name for pattern, name in REGION_OF if re.match(pattern, code.display)), "")
        if code.category != "orthosis" or not region:
            continue
        text = code.display.casefold()
        assert region in code.regions, code.code
        ways = {
            "custom": "custom fabricated" in text,
            "prefabricated-fitted": "individual with expertise" in text or "includes fitting" in text,
            "off-the-shelf": "off-the-shelf" in text,
        }
        if "custom fabricated" in text:
            ways["prefabricated-fitted"] = False
        named = {name for name, says in ways.items() if says}
        assert named <= set(code.fabrication), code.code
        if re.search(r"without joint", text):
            assert code.joints == "without", code.code
        elif re.search(r"(one or more|non ?torsion|locking) ?(non ?torsion)? ?joint|hinge", text):
            assert code.joints == "with", code.code
        else:
            assert code.joints == "", code.code
        read.add(code.code)
    others = {code.code for code in hcpcs().codes if code.category == "orthosis"} - read
    assert others == {"L3982", "L3984", "L3999", "S8450", "S8451"}
    assert {way for code in hcpcs().codes for way in code.fabrication} <= set(FABRICATION)
    assert {region for code in hcpcs().codes for region in code.regions} <= set(REGIONS)


@pytest.mark.parametrize("code", [code for code in hcpcs().codes if code.age], ids=lambda code: code.code)
def test_casts_of_each_age_and_material(code: Code) -> None:
    assert code.age.split()[0] == ("11" if "11 years +" in code.display else "0")
    assert code.material.replace("fibre", "fiber") in code.display
    assert ("cast supply" if "cast," in code.display or "cast (" in code.display else "splint supply") == code.category


def test_whether_a_code_is_valid_on_a_day() -> None:
    code = next(each for each in hcpcs().codes if each.code == "L3913")
    assert code.valid_on(date(2026, 3, 2)) is True
    assert code.valid_on(date(2026, 11, 2)) is None
    assert "cannot be told" in code.validity(date(2026, 11, 2))
    assert Code("s", "c", "d", OWN, since=date(2026, 1, 1)).valid_on(date(2025, 12, 31)) is False


HEADING = "code,system,text,since,until,forms,regions\n"
GOOD = f"{HEADING}A1,https://clinic.example/codes,Finger cast,2026-01-01,,cast,finger thumb\n"


def test_a_clinics_own_table() -> None:
    (code,) = own_table("\ufeff" + GOOD)
    assert (code.key, code.display) == (("https://clinic.example/codes", "A1"), "Finger cast")
    assert (code.forms, code.regions, code.since, code.until) == (
        ("cast",), ("finger", "thumb"), date(2026, 1, 1), None,
    )  # fmt: skip
    assert (code.category, code.per) == (OWN, "orthosis")
    assert set(COLUMNS) >= {"code", "system", "text"}


@pytest.mark.parametrize(
    ("table", "where"),
    [
        (GOOD.replace("text", "words"), "words"),
        (GOOD.replace("Finger cast", ""), "row 2, column text"),
        (GOOD.replace("2026-01-01", "January"), "row 2, column since"),
        (GOOD.replace("finger thumb", "toe"), "row 2, column regions"),
        (GOOD + "A1,https://clinic.example/codes,Again,,,,\n", "row 3"),
        (GOOD + "A2,https://clinic.example/codes\n", "row 3"),
        (GOOD + 'A2,"unclosed', ""),
    ],
)
def test_a_table_that_cannot_be_used_says_where(table: str, where: str) -> None:
    with pytest.raises(Invalid) as refused:
        own_table(table)
    assert where in [issue.where for issue in refused.value.issues]
