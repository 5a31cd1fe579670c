"""A nerve after its repair: found by its name, its sign with a rate, its zones by monofilament."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from service.domain.anatomy import PartState, Site
from service.domain.change.gathering import trajectories
from service.domain.change.nerve_follow_up import Repair, follow_ups, names, zones_served
from service.domain.change.touch_zones import steps_of, zones_of
from service.domain.course import Operation
from service.domain.measurement import Absent, Circumstances, Coded, Measurement, Quantity

REPAIR = Operation("suture of the median nerve", "right", date(2026, 3, 2), nerve_level="wrist crease")
MEDIAN = Site("right", "median-nerve")
TODAY = date(2026, 9, 1)


def around(day: int, status: str = "final") -> Circumstances:
    taken = datetime(2026, 3, 2, 9, 0, tzinfo=UTC) + timedelta(days=day)
    return Circumstances("Patient/made-up", taken, performer_name="A", status=status, id=f"o{day}", version="1")


def sign(day: int, cm: object, landmark: str = "the repair") -> Measurement:
    value = Quantity(Decimal(str(cm)), "cm") if cm != "none" else Coded("no-sign")
    return Measurement("advancing-nerve-sign", MEDIAN, {}, value, {"nerve_landmark": landmark}, around(day))


def touch(day: int, zone: str, marking: str, *, kit: str = "full-20", status: str = "final") -> Measurement:
    absent = {"untested": Absent("asked-declined")}
    value = absent.get(marking) or Coded(marking if marking == "not-felt" else f"marking-{marking}")
    site = Site("right", zone)
    return Measurement("touch-threshold", site, {}, value, {"monofilament_set": kit}, around(day, status))


def told(*readings: Measurement, operations=(REPAIR,), states=()):
    return follow_ups(trajectories(readings, states), readings, operations, TODAY, states)


@pytest.mark.parametrize(
    ("nerve", "operation", "named"),
    [
        ("median-nerve", Operation("median nerve suture", "right", TODAY), True),
        ("median-nerve", Operation("repair", "right", TODAY, ("FDS", "Median and ulnar nerves")), True),
        ("ulnar-nerve", Operation("repair", "right", TODAY, ("FDS", "Median and ulnar nerves")), True),
        ("median-nerve", Operation("repair of median artery and ulnar nerve", "right", TODAY), False),
        ("radial-nerve", Operation("superficial branch of the radial nerve", "right", TODAY), False),
        ("superficial-radial-nerve", Operation("superficial radial nerve", "right", TODAY), True),
        ("index-radial-digital-nerve", Operation("digital nerve suture", "right", TODAY, digits=("index",)), True),
        ("index-ulnar-digital-nerve",
         Operation("radial digital nerve suture", "right", TODAY, digits=("index",)), False),
        ("index-radial-digital-nerve", Operation("digital nerve suture", "right", TODAY, digits=("ring",)), False),
        ("median-nerve", Operation("nerve repair", "right", TODAY, nerve_level="wrist"), False),
    ],
)  # fmt: skip
def test_a_repair_is_known_by_the_name_of_its_nerve(nerve: str, operation: Operation, named: bool) -> None:
    assert names(Site("right", nerve), operation) is named


def test_the_sign_advances_by_a_rate_with_an_interval() -> None:
    """1 mm a day from the repair on, read to half a centimetre: 0.7 cm a week, said as mm a day."""
    days = (28, 42, 56, 70, 84, 98, 112)
    (found,) = told(*(sign(day, round(2 * day / 10) / 2) for day in days))
    assert isinstance(found.repair, Repair)
    assert (found.repair.level, found.repair.days) == ("wrist crease", 183)
    (rate,) = found.signs
    assert rate.rate == pytest.approx(Decimal(1), abs=Decimal("0.05"))
    assert rate.interval.low < 1 < rate.interval.high
    assert rate.interval.low > 0
    assert rate.words.startswith("the sign advances: +")
    assert any("error not published" in note for note in rate.trend.notes)


def test_readings_from_before_the_repair_are_of_another_nerve_so_to_speak() -> None:
    (found,) = told(*(sign(day, 4) for day in (-30, -20)), *(sign(day, day / 10) for day in (30, 60, 90)))
    (rate,) = found.signs
    assert rate.trend.visits == 3
    assert rate.rate == 1
    assert "without an interval" in rate.words
    assert rate.interval.rule == "too-few-visits"


def test_each_landmark_is_a_line_and_two_visits_have_no_rate() -> None:
    (found,) = told(sign(30, 3), sign(60, 6), sign(60, 9, "wrist crease"))
    assert [(s.landmark, s.rate.rule) for s in found.signs] == [
        ("the repair", "too-few-visits"),
        ("wrist crease", "one-visit"),
    ]
    assert all(s.words.startswith("whether the sign advances cannot be told") for s in found.signs)


def test_a_sign_that_stands_still_is_not_told_to_advance() -> None:
    (found,) = told(*(sign(day, cm) for day, cm in zip(range(30, 100, 10), (5, 5.5, 5, 4.5, 5.5, 5, 5), strict=True)))
    assert found.signs[0].words.startswith("whether the sign advances cannot be told: ")


def test_a_nerve_without_a_repair_on_record_says_so() -> None:
    (found,) = told(sign(30, 3), operations=())
    assert found.repair.rule == "no-repair"
    other_side = Operation("median nerve", "left", date(2026, 3, 2))
    assert [n.nerve.code for n in told(sign(30, 3), operations=[other_side])] == [
        "left-median-nerve",
        "right-median-nerve",
    ]


def test_zones_at_or_beyond_loss_of_protective_sensation() -> None:
    """Bands of the hand: 4.31 is diminished protective sensation, 4.56 loss of it (PMC7873561, table 1)."""
    zones = zones_of([
        touch(10, "thumb-tip", "6.65"), touch(90, "thumb-tip", "4.31"), touch(90, "index-tip", "4.56"),
        touch(90, "middle-tip", "not-felt"), touch(90, "palm", "untested"),
    ])  # fmt: skip
    assert [(z.site.key, z.category) for z in zones.beyond] == [
        ("index-tip", "loss-of-protective-sensation"),
        ("middle-tip", "not-felt"),
    ]
    assert zones.words.startswith("2 of 3 zones at or beyond loss of protective sensation")
    assert zones.not_tested == {"the patient declined": 1}


def test_zones_better_and_worse_by_marking_steps_among_those_tested_both_times() -> None:
    """From 4.56 to 4.31 is one step of the kit, whatever the grams; a zone tested once only is not counted."""
    shared = steps_of([
        touch(10, "thumb-tip", "4.56"), touch(90, "thumb-tip", "4.31"),
        touch(10, "index-tip", "3.61"), touch(90, "index-tip", "6.65"),
        touch(10, "middle-tip", "not-felt"), touch(90, "middle-tip", "not-felt"),
        touch(10, "palm", "2.83"), touch(90, "thenar", "2.83"),
        touch(40, "thumb-tip", "6.65"),
    ])  # fmt: skip
    assert {s.site.key: s.steps for s in shared.zones} == {"thumb-tip": 1, "index-tip": -14, "middle-tip": 0}
    assert (shared.better, shared.worse, shared.same) == (1, 1, 1)
    assert shared.words.startswith("of 3 zones tested both on 2026-03-12 and on 2026-05-31, 1 better, 1 worse, 1")


def test_what_was_tested_with_another_set_is_not_compared() -> None:
    shared = steps_of([touch(10, "thumb-tip", "3.61", kit="five"), touch(90, "thumb-tip", "3.22")])
    assert shared.zones[0].steps.rule == "other-set"
    assert (shared.better, shared.worse, shared.same, shared.not_compared) == (0, 0, 0, 1)


def test_too_little_to_tell_of() -> None:
    assert zones_of([]).rule == "not-tested"
    assert steps_of([touch(10, "thumb-tip", "3.61")]).rule == "one-visit"
    twice = [touch(10, "thumb-tip", "3.61"), touch(10, "thumb-tip", "4.31")]
    assert zones_of(twice).rule == "not-tested"
    assert zones_of([touch(10, "thumb-tip", "3.61", status="entered-in-error")]).rule == "not-tested"


def test_zones_are_those_of_the_nerve_and_a_lost_digit_has_none() -> None:
    assert zones_served(Site("right", "ulnar-nerve")) == (
        "ring-tip", "ring-base", "ring-dorsum", "little-tip", "little-base", "little-dorsum", "hypothenar",
        "ulnar-dorsum",
    )  # fmt: skip
    assert zones_served(Site("right", "index-ulnar-digital-nerve")) == ("index-tip", "index-base")
    lost = PartState(Site("right", "index"), "absent", date(2026, 3, 1), level="mcp")
    readings = [touch(20, "index-tip", "4.56"), touch(20, "little-tip", "6.65"), touch(20, "thumb-tip", "2.83")]
    (found,) = told(*readings, states=[lost])
    assert [zone.site.key for zone in found.zones.tested] == ["thumb-tip"]
    assert any("shared with another nerve" in note for note in found.notes)
