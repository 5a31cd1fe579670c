"""Injuries, operations, referrals, precautions and goals: what is lawful, and what follows from them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from service.domain.achievement import achievement_of
from service.domain.anatomy import Site, site
from service.domain.course import (
    REFERRAL_ITEMS,
    ZONES,
    Course,
    Injury,
    Operation,
    Referral,
    elapsed,
    require_lawful_course,
    require_lawful_injury,
    require_lawful_operation,
    require_lawful_referral,
)
from service.domain.error import ERRORS
from service.domain.goals import Goal, better_of, require_lawful_goal
from service.domain.measurement import Quantity
from service.domain.metrics import METRICS
from service.domain.precautions import Precaution, check_precautions, require_lawful_precaution, touching
from service.errors import Invalid
from tests.fhir.example_readings import example_of

DAY = date(2026, 3, 2)
INJURY = Injury("laceration of both flexor tendons", "right", date(2026, 2, 1), "glass", ("ring",), "flexor-2")
OPERATION = Operation("repair of both tendons", "right", date(2026, 2, 3), ("FDP", "FDS"), ("ring",), "Dr Example")
PRECAUTION = Precaution(
    what="no active flexion against resistance",
    by="Dr Example",
    since=date(2026, 2, 3),
    places=(site("right", "ring"),),
    until=date(2026, 4, 28),
    kinds=("grip-strength", "pinch-strength", "muscle-strength"),
)
NO_ACTIVE = replace(PRECAUTION, what="no active flexion", kinds=(), motions=("flexion",), modes=("active",))
GOAL = Goal("make a fist", "patient", "flexion-active-free", site("right", "ring-pip"), Quantity(Decimal(90), "deg"))


def rules(error: pytest.ExceptionInfo[Invalid]) -> set[str]:
    return {issue.rule for issue in error.value.issues}


def test_time_since_injury_and_operation_goes_with_a_day() -> None:
    found = elapsed([INJURY], [OPERATION], DAY)
    assert [(e.since, e.days) for e in found] == [("injury", 29), ("operation", 27)]
    assert [e.since for e in elapsed([INJURY], [OPERATION], date(2026, 2, 2))] == ["injury"]
    assert elapsed([replace(INJURY, on=None)], [], DAY) == ()


@pytest.mark.parametrize(
    ("changes", "rule"),
    [({"what": " "}, "named"), ({"digits": ("pinky",)}, "known-digit"), ({"zone": "flexor-9"}, "known-zone"),
     ({"zone": "flexor-thumb-2"}, "zone-of-digit"), ({"digits": ("thumb",)}, "zone-of-digit")],
)  # fmt: skip
def test_an_injury_that_cannot_be_is_refused(changes, rule) -> None:
    require_lawful_injury(INJURY)
    with pytest.raises(Invalid) as error:
        require_lawful_injury(replace(INJURY, **changes))
    assert rules(error) == {rule}


def test_an_operation_that_cannot_be_is_refused() -> None:
    require_lawful_operation(OPERATION)
    with pytest.raises(Invalid) as error:
        require_lawful_operation(replace(OPERATION, what="", digits=("hand",)))
    assert rules(error) == {"named", "known-digit"}


def test_every_zone_has_a_name_of_its_own() -> None:
    assert len({term.display for term in ZONES.values()}) == len(ZONES) == 5 + 3 + 8 + 5


def test_a_referral_is_told_what_it_leaves_out() -> None:
    referral = Referral(DAY, "Dr Example", {"diagnosis": "flexor tendon injury", "zone": "2"}, ("injury-date",))
    assert set(referral.leaves_out) == {"structures", "repair", "operation-date", "precautions"}
    assert Referral(DAY, "", dict.fromkeys(REFERRAL_ITEMS, "told")).leaves_out == {}
    with pytest.raises(Invalid, match="not an item"):
        require_lawful_referral(replace(referral, tells={"mood": "good"}))


@pytest.mark.parametrize(
    ("key", "is_touched"),
    [("ring", True), ("ring-pip", True), ("ring-tip", True), ("ring-proximal-phalanx", True), ("hand", True),
     ("middle-pip", False), ("wrist", False), ("elbow", False)],
)  # fmt: skip
def test_a_precaution_touches_what_lies_in_its_places_or_around_them(key, is_touched) -> None:
    assert PRECAUTION.touches(site("right", key)) is is_touched
    assert not PRECAUTION.touches(site("left", key))


def test_a_precaution_of_the_hand_does_not_reach_the_elbow() -> None:
    whole = replace(PRECAUTION, places=(site("right", "hand"),))
    assert whole.touches(site("right", "wrist"))
    assert whole.touches(site("right", "flexor-pollicis-longus"))
    assert not whole.touches(site("right", "elbow"))
    assert not whole.touches(Site("", "person"))


def test_a_precaution_is_in_force_from_its_first_to_its_last_day() -> None:
    days = [PRECAUTION.since - timedelta(1), PRECAUTION.since, PRECAUTION.until, PRECAUTION.until + timedelta(1)]
    assert [PRECAUTION.in_force(day) for day in days] == [False, True, True, False]
    assert replace(PRECAUTION, until=None).in_force(date(2036, 1, 1))
    assert touching([PRECAUTION], site("right", "ring-pip"), DAY) == (PRECAUTION,)
    assert touching([PRECAUTION], site("right", "ring-pip"), PRECAUTION.until + timedelta(1)) == ()


def asked(measurement, *precautions) -> list[tuple[str, str]]:
    return [(f.grade, f.issue.rule) for f in check_precautions(measurement, precautions)]


def test_a_kind_that_a_precaution_names_is_asked_about(visits) -> None:
    grip = visits.grip("right", "20 21 22")
    inside = replace(PRECAUTION, since=grip.circumstances.taken.date(), until=None)
    assert asked(grip, inside) == [("ask", "precaution-in-force")]
    assert asked(visits.grip("left", "20 21 22"), inside) == []
    assert asked(visits.touch("right-ring-tip", "2.83"), inside) == []
    assert asked(grip, replace(inside, since=grip.circumstances.taken.date() + timedelta(1))) == []


@pytest.mark.parametrize(
    ("motion", "mode", "is_asked"),
    [("flexion", "active", True), ("flexion", "unknown", True), ("flexion", "passive", False),
     ("extension-deficit", "active", False)],
)  # fmt: skip
def test_a_motion_and_its_mode_are_asked_about(visits, motion, mode, is_asked) -> None:
    end = visits.end("right-ring-pip", motion, "30", mode=mode)
    inside = replace(NO_ACTIVE, since=end.circumstances.taken.date(), until=None)
    assert bool(asked(end, inside)) is is_asked


def test_a_precaution_that_names_nothing_only_informs(visits) -> None:
    grip = visits.grip("right", "20 21 22")
    told = replace(PRECAUTION, kinds=(), since=grip.circumstances.taken.date(), until=None)
    assert asked(grip, told) == []
    assert touching([told], grip.site, told.since) == (told,)


def test_what_is_asked_prescribes_nothing(visits) -> None:
    grip = visits.grip("right", "20 21 22")
    (finding,) = check_precautions(grip, [replace(PRECAUTION, since=grip.circumstances.taken.date(), until=None)])
    assert PRECAUTION.what in finding.issue.message
    assert PRECAUTION.by in finding.issue.expected
    assert not {"must", "should", "stop", "remove"} & set(finding.issue.message.lower().split())


@pytest.mark.parametrize(
    ("changes", "rule"),
    [({"what": ""}, "precaution-stated"), ({"by": " "}, "precaution-stated"), ({"places": ()}, "precaution-place"),
     ({"until": date(2026, 1, 1)}, "order-of-days"), ({"kinds": ("lifting",)}, "known-answer"),
     ({"motions": ("hyperextension",)}, "known-answer"), ({"modes": ("forced",)}, "known-answer")],
)  # fmt: skip
def test_a_precaution_that_cannot_be_is_refused(changes, rule) -> None:
    require_lawful_precaution(PRECAUTION)
    with pytest.raises(Invalid) as error:
        require_lawful_precaution(replace(PRECAUTION, **changes))
    assert rules(error) == {rule}


def stands(goal, *readings) -> tuple[str, Decimal | None]:
    found = achievement_of(goal, readings)
    return found.reached, found.missing.number if found.missing else None


def test_a_goal_within_the_published_error_of_its_target_cannot_be_told(visits) -> None:
    """Standard error of a single finger joint 2.4 to 4.9 degrees: Macionis, BMC Musculoskelet Disord 2013;14:17."""
    assert max(e.high for e in ERRORS["joint-motion"]) == Decimal("4.9")
    for amount, expected in (("80", "not-reached"), ("86", "within-error"), ("94", "within-error"), ("95", "reached")):
        assert stands(GOAL, visits.end("right-ring-pip", "flexion", amount)) == (expected, 90 - int(amount))


def test_a_goal_is_read_from_the_latest_reading_of_its_own_measure(visits) -> None:
    old = visits.end("right-ring-pip", "flexion", "60", 1)
    new = visits.end("right-ring-pip", "flexion", "70", 8)
    others = [
        visits.end("right-ring-pip", "flexion", "99", 9, mode="passive"),
        visits.end("left-ring-pip", "flexion", "99", 9),
        replace(new, circumstances=replace(new.circumstances, status="entered-in-error")),
    ]
    assert achievement_of(GOAL, [new, old, *others]).reading == new
    assert stands(GOAL) == ("no-reading", None)


def test_less_is_reached_from_above_and_units_are_converted() -> None:
    goal = Goal("close the fist", "clinician", "tip-to-palm-flexed-active", site("right", "ring"),
                Quantity(Decimal(10), "mm"), better="less")  # fmt: skip
    assert stands(goal, example_of("tip-to-palm")) == ("not-reached", 15)
    assert stands(replace(goal, target=Quantity(Decimal(30), "mm")), example_of("tip-to-palm")) == ("reached", -5)
    assert "not published" in achievement_of(goal, [example_of("tip-to-palm")]).note


def test_a_patients_own_activity_is_a_goal() -> None:
    goal = Goal("play again", "patient", "activity-rating", Site("", "person"), Quantity(Decimal(8), "{score}"),
                activity="Playing the violin")  # fmt: skip
    require_lawful_goal(goal)
    assert stands(goal, example_of("activity-rating")) == ("not-reached", 5)
    assert stands(replace(goal, activity="cooking"), example_of("activity-rating")) == ("no-reading", None)


def test_a_rank_counts_towards_a_goal() -> None:
    goal = Goal(
        "oppose", "clinician", "thumb-opposition-active", site("right", "thumb"), Quantity(Decimal(9), "{score}")
    )
    require_lawful_goal(goal)
    assert stands(goal, example_of("thumb-opposition")) == ("not-reached", 3)


@pytest.mark.parametrize(
    ("changes", "rule"),
    [({"code": "flexion"}, "known-code"), ({"site": site("right", "forearm")}, "site-of-kind"),
     ({"target": Quantity(Decimal(90), "cm")}, "unit-of-kind"),
     ({"target": Quantity(Decimal(190), "deg")}, "hard-bound"),
     ({"target": Quantity(Decimal(-5), "deg")}, "not-negative"), ({"better": "unstated"}, "better"),
     ({"since": DAY, "due": DAY - timedelta(1)}, "order-of-days")],
)  # fmt: skip
def test_a_goal_that_cannot_be_is_refused(changes, rule) -> None:
    require_lawful_goal(GOAL)
    with pytest.raises(Invalid) as error:
        require_lawful_goal(replace(GOAL, **changes))
    assert rules(error) == {rule}


MOTION = Goal(
    "bend further", "clinician", "", site("right", "ring"), Quantity(Decimal(220), "deg"), metric="total-active-motion"
)


def test_a_goal_on_a_metric_stands_with_the_joints_of_its_result(visits) -> None:
    visits.digit("right-ring", "0-0-60 0-30-60 0-0-40", 1)
    visits.digit("right-ring", "0-0-80 0-10-90 0-0-50", 8)
    visits.digit("right-ring", "0-0-90 0-0-100 0-0-70", 9, orthosis_state="in-orthosis")
    require_lawful_goal(MOTION)
    found = achievement_of(MOTION, visits.readings)
    assert (found.reached, found.missing.number, found.result.number) == ("not-reached", 10, 210)
    assert [p.site.part.joint for p in found.result.parts] == ["mcp", "pip", "dip"]
    assert found.error is None
    assert "not published" in found.note
    reached = achievement_of(replace(MOTION, target=Quantity(Decimal(210), "deg")), visits.readings)
    assert reached.reached == "reached"


def test_the_error_of_a_metric_goes_into_its_goal(visits) -> None:
    goal = Goal("grip", "patient", "", site("right", "hand"), Quantity(Decimal(20), "kgf"), metric="grip-summary")
    visits.grip("right", "17 17 17", 1)
    found = achievement_of(goal, visits.readings)
    assert (found.reached, found.missing.number, str(round(found.error.number, 2))) == ("within-error", 3, "6.22")
    assert {e.unit for e in found.errors} == {"kgf", "N"}


def test_a_metric_with_several_results_is_told_by_its_conditions(visits) -> None:
    goal = Goal("wrist", "clinician", "", site("right", "wrist"), Quantity(Decimal(100), "deg"), metric="limb-arc")
    visits.joint("right-wrist", "30-0-40", 1)
    visits.joint("right-wrist", "10-0-20", 1, motion="radial-deviation-ulnar-deviation")
    several = achievement_of(goal, visits.readings)
    assert (several.reached, several.result) == ("several-results", None)
    assert several.note == "The last visit has several results; they differ in: arc."
    one = achievement_of(replace(goal, conditions={"arc": "flexion-extension", "mode": "active"}), visits.readings)
    assert (one.reached, one.missing.number) == ("not-reached", 30)
    other = achievement_of(replace(goal, conditions={"arc": "pronation-supination"}), visits.readings)
    assert (other.reached, other.note) == ("no-reading", "There is no result of this metric at this site.")


def test_a_metric_without_a_number_says_why(visits) -> None:
    visits.joint("right-ring-pip", "0-0-90")
    assert "was not measured" in achievement_of(MOTION, visits.readings).note
    absent = replace(MOTION, conditions={"orthosis_state": "in-orthosis"})
    assert achievement_of(absent, visits.readings).note == "There is no result of this metric at this site."


def test_a_result_in_an_orthosis_counts_where_the_goal_says_so(visits) -> None:
    visits.digit("right-ring", "0-0-60 0-0-60 0-0-40", 1, orthosis_state="in-orthosis")
    assert achievement_of(MOTION, visits.readings).reached == "no-reading"
    goal = replace(MOTION, conditions={"orthosis_state": "in-orthosis"})
    assert achievement_of(goal, visits.readings).missing.number == 60


@pytest.mark.published(source="BMC Musculoskelet Disord 2016, doi 10.1186/s12891-016-0884-3, table 3, 7")
def test_a_goal_on_one_end_of_an_arc_stands_with_the_other_end(visits) -> None:
    visits.joint("right-ring-pip", "0-20-80", 1)
    visits.joint("right-ring-pip", "0-15-85", 1, mode="passive")
    visits.joint("right-ring-pip", "0-40-70", 8, treatment="after")
    visits.end("right-ring-dip", "extension-deficit", "5", 8, treatment="after")
    found = achievement_of(GOAL, visits.readings)
    assert [(m.answer("motion"), m.number) for m in found.other_end] == [("extension-deficit", 40)]
    back = replace(GOAL, code="extension-deficit-active-free", target=Quantity(Decimal(10), "deg"), better="less")
    assert [(m.answer("motion"), m.number) for m in achievement_of(back, visits.readings).other_end] == [
        ("flexion", 70)
    ]
    alone = achievement_of(GOAL, [m for m in visits.readings if m.answer("motion") == "flexion"])
    assert alone.other_end == ()
    assert alone.note == "The other end of this arc was not measured at this visit."


def test_a_rapid_exchange_is_no_grip_on_the_way_to_a_goal(visits) -> None:
    goal = Goal("grip", "patient", "grip-strength-right-free", site("right", "hand"), Quantity(Decimal(30), "kgf"))
    visits.grip("right", "35 36 37", 8, protocol="rapid-exchange")
    assert stands(goal, *visits.readings) == ("no-reading", None)
    visits.grip("right", "20 20 20", 1, protocol="static")
    assert stands(goal, *visits.readings) == ("not-reached", 10)


@pytest.mark.parametrize(
    ("changes", "rules_broken"),
    [({"metric": "total-motion"}, {"known-metric"}), ({"metric": "total-motion-grade"}, {"known-metric"}),
     ({"code": "flexion-active-free"}, {"one-measure"}), ({"metric": ""}, {"one-measure"}),
     ({"target": Quantity(Decimal(220), "cm")}, {"unit-of-metric"}),
     ({"target": Quantity(Decimal(220), "furlong")}, {"unit-of-metric"}),
     ({"metric": "grip-summary"}, {"unit-of-metric"}), ({"activity": "violin"}, {"activity-of-rating"}),
     ({"better": "unstated"}, {"better"}), ({"target": Quantity(Decimal(-1), "deg")}, {"not-negative"})],
)  # fmt: skip
def test_a_goal_on_a_metric_that_cannot_be_is_refused(changes, rules_broken) -> None:
    with pytest.raises(Invalid) as error:
        require_lawful_goal(replace(MOTION, **changes))
    assert rules(error) == rules_broken


def test_a_goal_on_a_reading_has_no_conditions() -> None:
    with pytest.raises(Invalid) as error:
        require_lawful_goal(replace(GOAL, conditions={"mode": "active"}))
    assert rules(error) == {"conditions-of-metric"}


def test_every_metric_without_a_unit_of_its_own_gives_a_force() -> None:
    unitless = [m.name for m in METRICS.values() if not (m.unit or m.values)]
    assert unitless
    assert all(name.startswith(("grip-", "pinch-")) for name in unitless)


def test_a_course_does_not_end_before_it_begins() -> None:
    course = Course("Patient/1", DAY, ("right",))
    require_lawful_course(replace(course, until=DAY))
    require_lawful_course(course)
    with pytest.raises(Invalid) as error:
        require_lawful_course(replace(course, until=DAY - timedelta(1)))
    assert rules(error) == {"order-of-days"}


def test_the_better_side_is_the_kinds_own() -> None:
    assert better_of("extension-deficit-active-free") == "less"
    assert better_of("flexion-active-free") == "more"
