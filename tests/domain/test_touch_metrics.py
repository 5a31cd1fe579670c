"""Touch thresholds: the category of a zone by a named table, and of a whole hand."""

from __future__ import annotations

import pytest

from service.domain.kinds import touch_threshold
from service.domain.measurement import Coded, Entry
from service.domain.metric import Parameters, Result
from service.domain.metrics import METRICS
from service.domain.metrics.touch_threshold_category import CATEGORIES, SCHEMES
from service.errors import Invalid

TABLE = "https://pmc.ncbi.nlm.nih.gov/articles/PMC7873561 table 1"


def zones(visits) -> list[Result]:
    return list(METRICS["touch-threshold-category"].compute(visits.readings, visits.states, Parameters()))


def hands(visits) -> list[Result]:
    return list(METRICS["touch-threshold-hand"].compute(visits.readings, visits.states, Parameters()))


@pytest.mark.check_values("monofilament_category_hand")
def test_category_of_a_marking(row, visits) -> None:
    visits.touch("right-index-tip", str(row.inputs["marking"]))
    (result,) = zones(visits)
    assert CATEGORIES[result.value.code].display == row.expected, row.source
    assert result.parameters == {"scheme": "hand-five-bands"}
    assert "PMC7873561" in result.source.text


def test_every_marking_has_one_category_and_the_bands_are_in_order() -> None:
    scheme = SCHEMES["hand-five-bands"]
    order = list(CATEGORIES)
    places = [order.index(scheme.category(marking)) for marking in touch_threshold.MARKINGS]
    assert places == sorted(places)
    assert set(places) == set(range(5))


@pytest.mark.published(source=f"{TABLE}; formula in Birke 2000 gives other grams (447 against 300 at 6.65)")
@pytest.mark.check_values("monofilament_force_g_from_marking")
def test_category_never_comes_from_grams(row, visits) -> None:
    """The kit's force and the formula's part by up to 1.8 times: the kit's is kept, and the marking decides."""
    marking = touch_threshold.read(touch_threshold.KIND, _entry(row.inputs["marking"]), None)[0][1]
    term = touch_threshold.VALUES[marking.code]
    ratio = float(term.properties["target-force-gf"]) / float(row.expected)
    assert 0.6 < ratio < 1.8
    assert 10 ** float(term.properties["marking"]) / 10_000 == pytest.approx(float(row.expected), rel=1e-5)
    if term.properties["marking"] in ("1.65", "5.88", "6.45", "6.65"):
        assert abs(ratio - 1) > 0.2


def _entry(marking):
    return Entry("touch-threshold", "right", "index-tip", str(marking))


@pytest.mark.published(
    source="PMC7873561 calls 6.65 deep pressure only; others count it as loss of protective sensation"
)
def test_the_table_is_named_and_an_unknown_one_is_refused(visits) -> None:
    visits.touch("right-index-tip", "6.65")
    assert zones(visits)[0].conditions["scheme"] == "hand-five-bands"
    with pytest.raises(Invalid, match="not a table of touch categories"):
        METRICS["touch-threshold-category"].compute(visits.readings, (), Parameters(touch_scheme="another"))


def test_not_felt_and_not_testable_are_things_of_their_own(visits) -> None:
    visits.touch("right-index-tip", "not-felt")
    visits.touch("right-thumb-tip", "not-performed")
    visits.touch("right-palm", "6.65")
    felt, tested, palm = zones(visits)
    assert felt.value == Coded("not-felt")
    assert tested.value.rule == "not-testable"
    assert palm.value == Coded("deep-pressure-sensation-only")
    (hand,) = hands(visits)
    assert hand.value == Coded("not-felt")
    assert hand.counts == {"not-felt": 1, "not-testable": 1, "deep-pressure-sensation-only": 1}
    assert [part.site.key for part in hand.parts] == ["index-tip", "thumb-tip", "palm"]


def test_absent_skin_has_no_category(visits) -> None:
    visits.state("right-index", "absent", level="distal-phalanx")
    visits.touch("right-index-tip", "not-applicable")
    visits.touch("right-index-base", "2.83")
    assert zones(visits)[0].value.rule == "part-absent"
    (hand,) = hands(visits)
    assert hand.value == Coded("normal")
    assert hand.counts == {"part-absent": 1, "normal": 1}
    assert any("says nothing of the others" in note for note in hand.notes)


def test_hands_and_visits_are_apart(visits) -> None:
    visits.touch("right-index-tip", "2.83", 1)
    visits.touch("left-index-tip", "3.61", 1)
    visits.touch("right-index-tip", "4.56", 2)
    visits.touch("right-index-tip", "4.31", 2, treatment="after")
    assert [(r.site.code, r.visit, r.value.code) for r in hands(visits)] == [
        ("right-hand", "Encounter/1", "normal"),
        ("left-hand", "Encounter/1", "diminished-light-touch"),
        ("right-hand", "Encounter/2", "loss-of-protective-sensation"),
        ("right-hand", "Encounter/2", "diminished-protective-sensation"),
    ]


def test_a_hand_that_could_not_be_tested_has_no_category(visits) -> None:
    visits.touch("right-index-tip", "asked-declined")
    (hand,) = hands(visits)
    assert hand.value.rule == "not-testable"
    assert hand.counts == {"not-testable": 1}
