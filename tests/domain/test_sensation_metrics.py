"""Sensation and the scores that sum it up: nerves, two points, sensory and motor grades, the outcome of a repair."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.measurement import Coded, Entry, Quantity
from service.domain.metric import Parameters, Result
from service.domain.metrics import METRICS
from service.domain.metrics.motor_grade_nerve import score_of
from service.domain.metrics.nerve_outcome import DOMAINS, domains_of
from service.domain.metrics.questionnaire_result import INSTRUMENTS, disability_score, not_scorable, wrist_score
from service.domain.metrics.sensory_grade import grade_of
from service.domain.metrics.two_point_band import BANDS, band_of

MARKED = Parameters(reference_for=frozenset({"right"}))
ASKED = Parameters(reference_for=frozenset({"right"}), include_from_memory=True)


def every(visits, name, parameters=ASKED) -> list[Result]:
    return list(METRICS[name].compute(visits.readings, visits.states, parameters))


def one(visits, name, parameters=ASKED) -> Result:
    (found,) = every(visits, name, parameters)
    return found


def two_points(visits, value: str, touch: str = "static", site: str = "right-index-tip-radial") -> Result:
    unit = "mm" if value[-1].isdigit() else ""
    visits.say("two-point-discrimination", site, value, unit, touch=touch)
    return every(visits, "two-point-band")[-1]


@pytest.mark.check_values("two_point_static_grade")
def test_band_of_still_points(row, visits) -> None:
    value = str(row.inputs["mm"])
    assert two_points(visits, value).value == Coded(str(row.expected)), row.source


@pytest.mark.check_values("two_point_moving_normal_mm")
def test_moving_points_are_normal_up_to_2_mm(row, visits) -> None:
    assert two_points(visits, str(row.expected), "moving").value == Coded("normal")
    assert two_points(visits, str(row.expected + 1), "moving").value == Coded("above-normal")


def test_what_the_bands_do_not_hold_has_a_reason(visits) -> None:
    assert two_points(visits, "one-point-only").value == Coded("protective")
    assert two_points(visits, "not-testable").value.rule == "not-testable"
    assert two_points(visits, "asked-declined").value.rule == "not-testable"
    assert two_points(visits, "5.5").value == Coded("normal")
    assert two_points(visits, "10.5").value == Coded("fair")
    assert two_points(visits, ">15").value.rule == "value-bounded"
    assert two_points(visits, "16").value.rule == "outside-table"


@pytest.mark.check_values("mrc_sensory_2pd_part")
def test_sensory_grade_by_two_points(row, visits) -> None:
    two_points(visits, str(row.inputs["s2pd"]))
    two_points(visits, str(row.inputs["m2pd"]), "moving")
    result = one(visits, "sensory-grade")
    assert METRICS["sensory-grade"].values[result.value.code].display.startswith(f"{row.expected}"), row.source
    assert result.source.status == "from memory"
    assert one(visits, "sensory-grade", MARKED).value.rule == "from-memory"


def test_the_lower_of_two_sensory_grades_counts(visits) -> None:
    two_points(visits, "5")
    assert one(visits, "sensory-grade").value.rule == "not-measured"
    two_points(visits, "6", "moving")
    assert one(visits, "sensory-grade").value == Coded("s3-plus")
    two_points(visits, "12")
    assert one(visits, "sensory-grade").value.rule == "read-twice"
    assert [grade_of(Decimal(mm), "moving") for mm in ("3", "7", "7.5")] == ["s4", "s3-plus", "s3"]


@pytest.mark.published(source="PMC7873561 table 1 for the categories; which nerve serves a zone is common practice")
def test_a_nerve_has_the_category_of_its_worst_zone(visits) -> None:
    visits.touch("right-index-tip", "4.56")
    visits.touch("right-thumb-tip", "2.83")
    visits.touch("right-little-tip", "3.61")
    visits.touch("right-ring-tip", "6.65")
    visits.touch("right-first-web", "not-performed")
    found = {r.site.key: r for r in every(visits, "touch-threshold-nerve")}
    assert found["median-nerve"].value == Coded("loss-of-protective-sensation")
    assert found["median-nerve"].counts == {"loss-of-protective-sensation": 1, "normal": 1}
    assert found["ulnar-nerve"].value == Coded("diminished-light-touch")
    assert found["radial-nerve"].value.rule == "not-testable"
    assert {p.site.key for r in found.values() for p in r.parts}.isdisjoint({"ring-tip"})
    assert "varies from person to person" in " ".join(found["median-nerve"].notes)


@pytest.mark.parametrize(
    ("at_hand", "marking", "words"),
    [
        ("full-20", "4.56", None),
        ("five", "2.83", None),
        ("five", "6.65", "above 4.56 and at or below 6.65"),
        ("other", "3.61", "was not the full set"),
        ("unknown", "3.61", "is not known"),
    ],
)
def test_markings_that_were_not_at_hand_leave_a_note(visits, at_hand, marking, words) -> None:
    visits.touch("right-index-tip", marking, monofilament_set=at_hand)
    for name in ("touch-threshold-category", "touch-threshold-hand", "touch-threshold-nerve"):
        notes = " ".join(n for n in one(visits, name).notes if "set" in n or "at hand" in n)
        assert words in notes if words else notes == ""


@pytest.mark.published(source="grades 0 to 5: MRC Memorandum 45, 1976")
def test_the_lowest_muscle_grade_of_a_nerve(visits) -> None:
    for muscle, grade in (("abductor-pollicis-brevis", "3-plus"), ("opponens-pollicis", "3"), ("palmaris-longus", "5")):
        visits.say("muscle-strength", f"right-{muscle}", grade)
    visits.say("muscle-strength", "right-adductor-pollicis", "not-performed")
    median, ulnar = every(visits, "motor-grade-nerve")
    assert median.value == Coded("3")
    assert median.counts == {"grade-3-plus": 1, "grade-3": 1, "grade-5": 1}
    assert ulnar.value.rule == "not-testable"
    assert score_of("3-minus") < score_of("3") < score_of("3-plus") < score_of("4-minus")


MAXIMA = {"median": 5, "ulnar": 15}


@pytest.mark.check_values("nerve_repair_score")
def test_outcome_of_a_nerve_repair(row) -> None:
    given = row.inputs
    parts = {
        "touch": Fraction(given["swm"]) / 15,
        "two-point": Fraction(given["s2pd"]) / 3,
        "shape-texture": Fraction(given["sti"]) / 6,
        "dexterity": Fraction(given["sollerman"]) / 12,
        "muscles": Fraction(given["mmt"]) / MAXIMA[given["nerve"]],
        "grip": Fraction(given["grip_injured"]) / Fraction(given["grip_uninjured"]),
        "hypersensitivity": Fraction(given["hyper"]) / 3,
        "cold-intolerance": Fraction(given["cold"]) / 3,
    }
    for domain, found in domains_of(parts).items():
        assert abs(found - Fraction(row.expected[domain])) <= Fraction(row.tolerance), (domain, row.source)


def repaired(visits) -> None:
    """The readings of the first published example: 9, 1, 3 and 8 points; grade 4, grip 30 of 40; pain 2 and 1."""
    for zone, marking in (("thumb-tip", "4.31"), ("index-tip", "4.31"), ("index-base", "4.31")):
        visits.touch(f"right-{zone}", marking, monofilament_set="five")
    visits.say("two-point-discrimination", "right-index-tip-radial", "12", "mm", touch="static")
    visits.say("two-point-discrimination", "right-index-tip-ulnar", "9", "mm", touch="static")
    visits.say("shape-texture", "right-index", "3", "{score}")
    visits.say("dexterity", "right-hand", "8", "{score}", result="score", test="an invented test")
    visits.say("muscle-strength", "right-abductor-pollicis-brevis", "4")
    visits.grip("right", "30 30 30")
    visits.grip("left", "40 40 40")
    visits.say("hypersensitivity", "right-hand", "mild")
    visits.say("cold-intolerance", "right-hand", "moderate")


@pytest.mark.published(
    source="Rosén & Lundborg 2000; maxima PMC4493271 table 2, quotients from memory", status="from memory"
)
def test_the_outcome_is_put_together_from_readings_and_stands_with_its_domains(visits) -> None:
    repaired(visits)
    result = one(visits, "nerve-outcome")
    assert result.value == Quantity(Decimal("1.8"), "{score}")
    assert {p.conditions["domain"]: p.number for p in result.parts} == {
        "sensory": Decimal("0.525"),
        "motor": Decimal("0.775"),
        "pain": Decimal("0.5"),
    }
    assert result.parts[0].parameters["touch"] == "0.6"
    assert result.site.code == "right-median-nerve"
    assert one(visits, "nerve-outcome", MARKED).value.rule == "from-memory"
    assert one(visits, "nerve-outcome", MARKED).parts == ()


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("touch-threshold", "set of five"),
        ("two-point-discrimination", "two-point"),
        ("dexterity", "dexterity score"),
        ("muscle-strength", "abductor pollicis brevis"),
        ("grip-strength", "grip beside the other hand"),
        ("cold-intolerance", "cold intolerance"),
    ],
)
def test_an_outcome_without_a_part_names_it(visits, kind, words) -> None:
    repaired(visits)
    visits.readings = [m for m in visits.readings if m.kind != kind]
    result = one(visits, "nerve-outcome")
    assert result.value.rule == "parts-missing"
    assert words in result.value.reason
    assert sum(p.is_missing for p in result.parts) == 1


def test_the_outcome_of_the_ulnar_nerve_looks_at_other_places(visits) -> None:
    visits.say("shape-texture", "left-little", "2", "{score}")
    result = one(visits, "nerve-outcome")
    assert result.site.code == "left-ulnar-nerve"
    assert "third palmar interosseous" not in result.value.reason
    assert "abductor digiti minimi" in result.value.reason


@pytest.mark.check_values("dash_score", "quickdash_score")
def test_score_from_a_sum(row) -> None:
    name = row.metric.removesuffix("_score")
    found = disability_score(name, row.inputs["sum"], int(row.inputs["n"]))
    if row.expected is None:
        assert found.rule == "not-scorable"
        assert "4 items missing" in found.reason
    else:
        row.check(found.number)


@pytest.mark.published(source="scoring note 2002, fr.scribd.com/doc/196955707: 70 of 30 items are 33.33")
def test_the_printed_example_of_a_score() -> None:
    assert round(disability_score("dash", Decimal(70), 30).number, 2) == Decimal("33.33")


@pytest.mark.check_values("prwe_score")
def test_wrist_score(row) -> None:
    row.check(wrist_score(row.inputs["pain_sum_of_5_items"], row.inputs["function_sum_of_10_items"]).number)


@pytest.mark.parametrize(
    ("fields", "found"),
    [
        ({"questionnaire": "dash", "items_answered": "27"}, "40"),
        ({"questionnaire": "dash", "items_answered": "26"}, "not-scorable"),
        ({"questionnaire": "dash"}, "40"),
        ({"questionnaire": "quickdash", "items_answered": "9"}, "not-scorable"),
        ({"questionnaire": "prwe", "items_answered": "14"}, "not-scorable"),
        ({"questionnaire": "other", "questionnaire_name": "an invented one", "items_answered": "3"}, "40"),
    ],
)
def test_a_score_stands_only_with_enough_answers(visits, fields, found) -> None:
    visits.say("questionnaire-score", "person", "40", "{score}", **fields)
    result = one(visits, "questionnaire-result")
    assert (result.value.rule if result.is_missing else str(result.number)) == found
    unsure = "items_answered" not in fields or fields["questionnaire"] == "other"
    assert any("not known" in note for note in result.notes) == unsure


def test_every_instrument_has_a_limit_within_its_items() -> None:
    for instrument in INSTRUMENTS.values():
        assert 0 < instrument.least <= instrument.items
        assert not_scorable(instrument, instrument.least) is None
        assert not_scorable(instrument, instrument.least - 1).rule == "not-scorable"


@pytest.mark.parametrize(
    ("there", "rule"),
    [
        ({"value": "480", "treatment": "after"}, "reference-not-measured"),
        ({"value": "not-performed", "treatment": "after"}, "reference-not-measured"),
        ({"value": "not-performed"}, "value-absent"),
        ({"trials": ("480", "482")}, "reference-not-measured"),
    ],
)
def test_volumes_found_otherwise_are_not_subtracted(visits, there, rule) -> None:
    visits.say("hand-volume", "right-hand", "520", "mL")
    if "trials" in there:
        visits.enter(Entry("hand-volume", "left", "hand", "", "mL", "", {}, there["trials"]))
    else:
        visits.say("hand-volume", "left-hand", there.pop("value"), "mL", **there)
    assert every(visits, "hand-volume-difference")[0].value.rule == rule


@pytest.mark.published(source="volumetry of both hands: Work 2004, doi 10.3233/WOR-2004-00346")
def test_volume_beside_the_other_hand(visits) -> None:
    visits.say("hand-volume", "right-hand", "520", "mL")
    assert every(visits, "hand-volume-difference", Parameters())[0].value.rule == "no-reference"
    assert every(visits, "hand-volume-difference")[0].value.rule == "reference-not-measured"
    visits.say("hand-volume", "left-hand", "480", "mL")
    here, there = every(visits, "hand-volume-difference")
    assert here.number == 40
    assert there.value.rule == "no-reference"
    visits.readings = visits.readings[:1]
    visits.say("hand-volume", "left-hand", "not-performed")
    assert every(visits, "hand-volume-difference")[0].value.rule == "value-absent"


@given(st.lists(st.integers(1, 5), min_size=10, max_size=30), st.sampled_from(["dash", "quickdash"]))
def test_a_disability_score_stays_in_its_scale(answers, name) -> None:
    given_answers = answers[: INSTRUMENTS[name].items]
    found = disability_score(name, Decimal(sum(given_answers)), len(given_answers))
    if len(given_answers) < INSTRUMENTS[name].least:
        assert found.rule == "not-scorable"
    else:
        assert 0 <= found.number <= 100


@given(st.lists(st.fractions(0, 1), min_size=8, max_size=8), st.integers(0, 7))
def test_an_outcome_stays_in_its_scale_and_grows_with_each_part(values, place) -> None:
    names = [name for domain in DOMAINS.values() for name in domain]
    parts = dict(zip(names, values, strict=True))
    found = domains_of(parts)
    assert 0 <= found["total"] <= 3
    assert all(0 <= found[domain] <= 1 for domain in DOMAINS)
    assert domains_of({**parts, names[place]: Fraction(1)})["total"] >= found["total"]


@given(st.lists(st.decimals(1, 20, places=1), min_size=2, max_size=2), st.sampled_from(["static", "moving"]))
def test_a_wider_distance_never_has_a_better_band(distances, touch) -> None:
    order = list(BANDS)
    near, far = (band_of(Quantity(mm, "mm"), touch) for mm in sorted(distances))
    if isinstance(near, Coded) and isinstance(far, Coded):
        assert order.index(near.code) <= order.index(far.code)
    assert not (isinstance(far, Coded) and not isinstance(near, Coded))
