"""Which codes fit an orthosis, by the texts of HCPCS Level II of 2019 as terminology.csv has them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from service.domain.billing.codes import hcpcs
from service.domain.billing.confirmation import Chosen, require_choosable
from service.domain.billing.dossier import Dossier
from service.domain.billing.lines import FITS, NOT, UNTOLD, Candidate, Lines, lines_of
from service.domain.billing.own_table import own_table
from service.domain.orthosis.episode import Series
from service.errors import Invalid
from tests.domain.orthosis.orthoses import CAST, event

from .cases import FITTED, RECORD_ONLY, STATIC, US, dossier, told, with_lines

OWN = own_table("code,system,text,forms,regions\nFC1,https://clinic.example/codes,Serial finger cast,cast,finger\n")


def lines(given: Dossier, rules=US, own=()) -> Lines:
    return lines_of(given, rules, (hcpcs(),), own)


def fits(given: Dossier, fit: str = FITS) -> set[str]:
    return {each.code.code for each in lines(given).candidates if each.fit == fit}


def line(given: Dossier, code: str, rules=US) -> Candidate:
    return next(each for each in lines(given, rules).candidates if each.code.code == code)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"region": "hand-finger"}, "L3913"),
        ({"region": "hand-finger", "mechanism": "dynamic"}, "L3921"),
        ({"region": "finger"}, "L3933"),
        ({"region": "finger", "mechanism": "static-progressive"}, "L3935"),
        ({"region": "hand"}, "L3919"),
        ({"region": "wrist-hand"}, "L3906"),
        ({"region": "wrist-hand", "mechanism": "dynamic"}, "L3905"),
        ({"region": "wrist-hand-finger"}, "L3808"),
        ({"region": "wrist-hand-finger", "mechanism": "dynamic"}, "L3806"),
        ({"region": "elbow"}, "L3702"),
        ({"region": "elbow-wrist-hand"}, "L3763"),
        ({"region": "elbow-wrist-hand-finger"}, "L3765"),
        ({"region": "hand-finger", "fabrication": "off-the-shelf"}, "L3924"),
        ({"region": "wrist-hand-finger", "fabrication": "off-the-shelf"}, "L3809"),
        (
            {
                "region": "hand-finger",
                "fabrication": "prefabricated-fitted",
                "modified": "trimmed",
                "modified_by": "A.",
            },
            "L3923",
        ),
    ],
)
def test_the_one_code_whose_text_says_what_it_is(change: dict[str, str], code: str) -> None:
    assert fits(dossier(design=replace(STATIC, **change))) == {code}


def test_each_candidate_says_why() -> None:
    for each in lines(dossier()).candidates:
        assert each.reasons
        assert all(reason.says.endswith(".") or reason.says == each.code.indication for reason in each.reasons)
        assert each.validity
    other = line(dossier(), "L3921")
    assert (other.fit, [r.fit for r in other.reasons].count(NOT)) == (NOT, 1)
    assert "joints, bands, springs or turnbuckles; it is static" in str(other.reasons)


@pytest.mark.parametrize("facet", ["region", "mechanism", "fabrication"])
def test_what_is_not_recorded_cannot_be_told(facet: str) -> None:
    given = dossier(design=replace(STATIC, **{facet: "unknown"}))
    assert fits(given) == set()
    assert "L3913" in fits(given, UNTOLD)


def test_prefabricated_without_what_was_modified_may_be_self_adjusted() -> None:
    given = dossier(design=replace(STATIC, fabrication="prefabricated-fitted"))
    assert line(given, "L3923").fit == UNTOLD


SERIAL = replace(CAST, region="finger", mechanism="serial-static", fabrication="custom", material="plaster of Paris")


def test_no_level_ii_code_is_known_to_fit_a_serial_finger_cast() -> None:
    given = dossier(design=SERIAL)
    found = lines(given)
    assert fits(given) == set()
    assert found.none_fits.startswith("No code of HCPCS Level II is known to fit: load the clinic's own table, or ask")
    assert {each.code.category for each in found.candidates if each.fit == UNTOLD} == {"cast supply"}
    own = lines(given, own=OWN)
    assert (own.none_fits, own.candidates[0].code.code, own.candidates[0].fit) == ("", "FC1", FITS)


def test_each_of_a_series_says_that_the_payer_decides() -> None:
    given = dossier(design=SERIAL)
    episode = replace(given.told.episode, series=Series("ring", 2, "gain slowed"))
    series = replace(given, told=replace(given.told, episode=episode))
    assert "One of a series of casts: whether each is paid for, the payer says." in lines(series).notes


@pytest.mark.parametrize(
    ("born", "material", "code"),
    [
        (date(1960, 1, 1), "plaster", "Q4013"),
        (date(1960, 1, 1), "fiberglass", "Q4014"),
        (date(2020, 1, 1), "plaster", "Q4015"),
        (date(2020, 1, 1), "fibreglass tape", "Q4016"),
    ],
)
def test_casts_by_age_and_material(born: date, material: str, code: str) -> None:
    """Adult is 11 years or older, paediatric 0 to 10, as the texts of Q4013 to Q4016 say."""
    cast = replace(STATIC, form="cast", region="hand", material=material)
    assert {c for c in fits(dossier(design=cast, born=born), UNTOLD) if c.startswith("Q401")} == {code}
    assert {c for c in fits(dossier(design=cast, born=None), UNTOLD) if c.startswith("Q401")} > {code}


def test_the_eleventh_birthday_makes_the_difference() -> None:
    cast = replace(STATIC, form="cast", region="hand", material="plaster")
    day_before = dossier(design=cast, born=date(2015, 3, 3))
    on_the_day = dossier(design=cast, born=date(2015, 3, 2))
    assert "Q4015" in fits(day_before, UNTOLD)
    assert "Q4013" in fits(on_the_day, UNTOLD)


def test_a_cast_is_no_orthosis_and_an_orthosis_no_cast() -> None:
    assert not [
        each for each in lines(dossier(design=SERIAL)).candidates if each.fit != NOT and each.code.code[0] == "L"
    ]
    assert not [each for each in lines(dossier()).candidates if each.fit != NOT and each.code.category == "cast supply"]


def test_several_digits_are_one_line_of_one_unit() -> None:
    found = line(dossier(), "L3913")
    assert found.units == 1
    assert "Several digits in one orthosis are one line." in lines(dossier()).notes


def test_the_side_is_a_modifier_and_the_digit_where_the_text_asks() -> None:
    assert [m.code for m in line(dossier(), "L3913").modifiers] == ["RT"]
    splint = replace(STATIC, region="finger", digits=("ring",), fabrication="off-the-shelf", side="left", holds=())
    assert [m.code for m in line(dossier(design=splint), "S8450").modifiers] == ["LT", "F3"]


def test_fitting_and_adjustment_are_never_lines() -> None:
    given = dossier(FITTED, event("adjusted", 5), event("remoulded", 6))
    found = lines(given)
    assert len(found.included) == 3
    assert {each.day for each in found.candidates} == {date(2026, 3, 2)}


def test_a_repair_has_its_own_day_and_no_number_of_units() -> None:
    given = dossier(FITTED, event("repaired", 9), event("repaired", 12))
    repairs = [each for each in lines(given).candidates if each.code.code == "L4205"]
    assert [(each.day, each.units, each.fit) for each in repairs] == [
        (date(2026, 3, 9), None, UNTOLD),
        (date(2026, 3, 12), None, UNTOLD),
    ]
    strap = line(given, "L4002")
    assert [m.code for m in strap.modifiers] == ["RT", "RB"]
    assert not {"L4205", "L4210", "L4002"} & {each.code.code for each in lines(dossier()).candidates}


def _both_sides() -> Dossier:
    return dossier(others=(told(name="two", design=replace(STATIC, side="left", holds=())),))


def test_both_sides_by_the_payers_rule() -> None:
    each = line(_both_sides(), "L3913")
    assert (each.units, [m.code for m in each.modifiers]) == (1, ["RT"])
    together = with_lines(US, bilateral="one-line")
    one = line(_both_sides(), "L3913", together)
    assert (one.units, [m.code for m in one.modifiers]) == (2, ["RT", "LT"])
    assert "both sides are one line of two units" in str(lines(_both_sides(), together).notes)
    assert line(dossier(), "L3913", together).units == 1


def test_under_rules_without_codes_only_the_clinics_own_are_there() -> None:
    assert lines(dossier(), RECORD_ONLY).candidates == ()
    assert [each.code.code for each in lines(dossier(design=SERIAL), RECORD_ONLY, OWN).candidates] == ["FC1"]


def test_without_a_date_of_service_there_is_no_line() -> None:
    found = lines(dossier(event("ordered", 1)))
    assert found.candidates == ()
    assert "not been delivered or fitted yet" in found.none_fits


@pytest.mark.parametrize(
    ("chosen", "included", "rule"),
    [
        ((), "", "line-required"),
        ((Chosen("x", "y"),), "", "known-code"),
        ((Chosen(hcpcs().system, "L3913"),) * 2, "", "line-once"),
        ((Chosen(hcpcs().system, "L3913", 2),), "", "units"),
        ((Chosen(hcpcs().system, "L3921"),), "", "reason-of-choice"),
        ((Chosen(hcpcs().system, "L3913"),), "ChargeItem/x", "line-or-included"),
        ((Chosen(hcpcs().system, "L3913", 1, ("LT",)),), "", "modifier-of-side"),
        ((Chosen(hcpcs().system, "L3913", 1, ("RT", "banana")),), "", "modifier"),
        ((Chosen(hcpcs().system, "L3913", 1, ("Z9",)),), "", "known-modifier"),
    ],
)
def test_what_cannot_be_chosen(chosen: tuple[Chosen, ...], included: str, rule: str) -> None:
    with pytest.raises(Invalid) as refused:
        require_choosable(chosen, lines(dossier()), US, included)
    assert rule in [issue.rule for issue in refused.value.issues]


def test_of_several_repairs_the_day_has_to_be_said() -> None:
    found = lines(dossier(FITTED, event("repaired", 9), event("repaired", 12)))
    one = Chosen(hcpcs().system, "L4205", 3)
    with pytest.raises(Invalid):
        require_choosable((one,), found, US, "")
    (candidate,) = require_choosable((replace(one, day=date(2026, 3, 12)),), found, US, "")
    assert candidate.day == date(2026, 3, 12)


def test_nothing_is_chosen_by_the_record() -> None:
    """Whatever is recorded, a candidate is only ever offered: without a choice there is no line."""
    assert lines(dossier()).candidates
    assert require_choosable((), lines(dossier()), RECORD_ONLY, "") == []
