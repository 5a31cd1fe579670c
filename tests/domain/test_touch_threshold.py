"""Touch-pressure thresholds: the markings of the kit, and nothing else."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.domain.kinds import touch_threshold
from service.domain.measurement import Absent, Coded
from service.errors import Invalid


@pytest.mark.check_values("monofilament_target_force_g")
def test_the_force_of_the_kit(row, visits) -> None:
    reading = visits.touch("right-index-tip", str(row.inputs["marking"]))
    found = touch_threshold.VALUES[reading.value.code].properties
    row.check(Decimal(found["target-force-gf"]))
    assert found["target-force-status"] == "published"


@pytest.mark.check_values("monofilament_target_force_g")
def test_forces_from_memory_are_marked(row) -> None:
    assert str(row.inputs["marking"]) not in touch_threshold._FROM_MEMORY, row.source


def test_twenty_markings_each_heavier_than_the_last() -> None:
    assert len(touch_threshold.MARKINGS) == 20
    terms = [touch_threshold.VALUES[f"marking-{m}"] for m in touch_threshold.MARKINGS]
    forces = [Decimal(t.properties["target-force-gf"]) for t in terms]
    assert forces == sorted(set(forces))
    assert list(touch_threshold.MARKINGS) == sorted(touch_threshold.MARKINGS, key=Decimal)


@pytest.mark.published(source="PMC4493271 table 2 prints 4.65; the kit has 4.56")
@pytest.mark.parametrize("text", ["4.65", "4,65"])
def test_the_misprint_is_refused_and_named(visits, text) -> None:
    with pytest.raises(Invalid, match=r"No monofilament carries the marking 4.65.*4\.56 \(4\.65 is a misprint"):
        visits.touch("right-index-tip", text)


@pytest.mark.parametrize("text", ["6.1", "6.10", "6,10", " 6.10 "])
def test_ways_to_write_a_marking(visits, text) -> None:
    assert visits.touch("right-index-tip", text.strip()).value == Coded("marking-6.10")


@pytest.mark.parametrize("text", ["0.07", "300", "2.8", "7", "02.83"])
def test_grams_and_other_numbers_are_refused(visits, text) -> None:
    with pytest.raises(Invalid, match="No monofilament carries the marking"):
        visits.touch("right-index-tip", text)


def test_not_felt_is_a_value_and_not_testable_is_none(visits) -> None:
    assert visits.touch("right-index-tip", "not-felt").value == Coded("not-felt")
    assert visits.touch("right-index-tip", "not-performed").value == Absent("not-performed")


def test_no_joint_has_a_threshold(visits) -> None:
    with pytest.raises(Invalid, match="not measured at the PIP joint"):
        visits.touch("right-index-pip", "2.83")
