"""What belongs to a course becomes R4 resources and comes back the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.anatomy import DIGITS, SIDES, Site, site
from service.domain.course import REFERRAL_ITEMS, ZONES, Course, Injury, Operation, Referral
from service.domain.goals import Goal
from service.domain.measurement import Quantity
from service.domain.picture import PURPOSES, VIEWS, Picture
from service.domain.precautions import Precaution
from service.errors import Invalid
from service.fhir.claims import check_claims
from service.fhir.course import from_episode_of_care, to_episode_of_care
from service.fhir.course_profiles import course_profiles
from service.fhir.events import from_injury, from_operation, from_referral, to_injury, to_operation, to_referral
from service.fhir.media import from_media, to_media
from service.fhir.plans import from_flag, from_goal, to_flag, to_goal
from service.fhir.text import Json, dump, parse
from service.fhir.validation import issues_of

from .example_courses import FOLDER, STATED
from .measurements import as_written

words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Z")), min_size=1, max_size=20)
days = st.dates(date(1950, 1, 1), date(2050, 1, 1))
sides = st.sampled_from(SIDES)
digits = st.lists(st.sampled_from(DIGITS), unique=True).map(tuple)
with_a_finger = digits.filter(lambda chosen: set(chosen) - {"thumb"})
finger_zones = st.sampled_from(["", *(zone for zone in ZONES if "thumb" not in zone)])
injuries = st.builds(
    Injury,
    words,
    sides,
    st.none() | days,
    st.just("") | words,
    digits.filter(lambda d: set(d) - {"thumb"}),
    finger_zones,
)
operations = st.builds(
    Operation, words, sides, days, st.lists(words).map(tuple), digits, st.just("") | words, st.just("") | words
)
referrals = st.builds(
    Referral,
    days,
    st.just("") | words,
    st.dictionaries(st.sampled_from(list(REFERRAL_ITEMS)), words),
    st.lists(st.sampled_from(list(REFERRAL_ITEMS)), unique=True).map(tuple),
)
precautions = st.builds(
    Precaution,
    what=words,
    by=words,
    since=st.dates(date(2020, 1, 1), date(2025, 1, 1)),
    places=st.lists(st.builds(site, sides, st.sampled_from(["hand", "wrist", "ring-pip"])), min_size=1).map(tuple),
    until=st.none() | st.dates(date(2025, 1, 1), date(2030, 1, 1)),
    kinds=st.lists(st.sampled_from(["grip-strength", "pinch-strength"]), unique=True).map(tuple),
    motions=st.lists(st.sampled_from(["flexion", "extension"]), unique=True).map(tuple),
    modes=st.lists(st.sampled_from(["active", "passive"]), unique=True).map(tuple),
    ended_by=st.just("") | words,
)
targets = st.builds(lambda n: Quantity(Decimal(n).scaleb(-1), "deg"), st.integers(0, 1000))
goals = st.builds(
    Goal,
    what=words,
    whose=st.sampled_from(["patient", "clinician"]),
    code=st.just("flexion-active-free"),
    site=st.builds(site, sides, st.just("ring-pip")),
    target=targets,
    due=st.none() | st.dates(date(2026, 1, 1), date(2030, 1, 1)),
    since=st.none() | st.dates(date(2020, 1, 1), date(2025, 1, 1)),
    better=st.sampled_from(["more", "less"]),
    activity=st.just("") | words,
)
pictures = st.builds(
    Picture,
    form=st.just("photo"),
    site=st.builds(site, sides, st.sampled_from(["hand", "ring-pip"])),
    view=st.sampled_from(list(VIEWS)),
    taken=days,
    url=st.sampled_from(["https://pictures.clinic.example/1", "urn:uuid:1"]),
    content_type=st.sampled_from(["image/jpeg", "image/png"]),
    purposes=st.lists(st.sampled_from(list(PURPOSES)), min_size=1, unique=True).map(tuple),
    by=st.just("") | words,
    title=st.just("") | words,
)
metric_goals = st.builds(
    Goal,
    what=words,
    whose=st.sampled_from(["patient", "clinician"]),
    code=st.just(""),
    site=st.builds(site, sides, st.sampled_from(["index", "hand", "wrist"])),
    target=st.builds(Quantity, st.decimals(0, 300, places=1), st.just("deg")),
    due=st.none() | st.dates(date(2026, 1, 1), date(2030, 1, 1)),
    better=st.sampled_from(["more", "less"]),
    metric=st.sampled_from(["total-active-motion", "limb-arc", "clawing-index"]),
    conditions=st.dictionaries(st.sampled_from(["arc", "mode", "orthosis_state"]), words),
)
Mapping = tuple[Callable[[Any, str], Json], Callable[[Json], Any]]
MAPPINGS: dict[str, tuple[st.SearchStrategy[Any], Mapping]] = {
    "injury": (injuries, (to_injury, from_injury)),
    "operation": (operations, (to_operation, from_operation)),
    "referral": (referrals, (to_referral, from_referral)),
    "precaution": (precautions, (to_flag, from_flag)),
    "goal": (goals, (to_goal, from_goal)),
    "goal on a metric": (metric_goals, (to_goal, from_goal)),
    "picture": (pictures, (to_media, from_media)),
}
DRAWN = st.sampled_from(list(MAPPINGS)).flatmap(lambda name: st.tuples(st.just(name), MAPPINGS[name][0]))


@settings(deadline=None)
@given(DRAWN)
def test_each_comes_back_the_same_and_is_r4(drawn: tuple[str, Any]) -> None:
    name, stated = drawn
    to, back = MAPPINGS[name][1]
    resource = parse(dump(to(stated, "Patient/1")))
    assert back(resource) == stated
    assert [str(issue) for issue in issues_of(resource) if issue.severity == "error"] == []
    assert check_claims(resource) == []


def test_a_goal_of_the_person_has_no_site() -> None:
    goal = Goal(
        "play", "patient", "activity-rating", Site("", "person"), Quantity(Decimal(8), "{score}"), activity="violin"
    )
    assert from_goal(to_goal(goal, "Patient/1")) == goal


INJURY = to_injury(Injury("cut", "right", date(2026, 2, 1), "glass", ("ring",), "flexor-2"), "Patient/1")
LEFT = to_injury(Injury("cut", "left"), "Patient/1")
OPERATION = to_operation(Operation("repair", "right", date(2026, 2, 3)), "Patient/1")
REFERRAL = to_referral(Referral(date(2026, 2, 4), "Dr Example", {"zone": "2"}), "Patient/1")
FLAG = to_flag(Precaution("no grip", "Dr Example", date(2026, 2, 3), (site("right", "hand"),)), "Patient/1")
GOAL = to_goal(
    Goal("fist", "patient", "flexion-active-free", site("right", "ring-pip"), Quantity(Decimal(90), "deg")), "Patient/1"
)
PICTURE = to_media(
    Picture(
        "photo", site("right", "hand"), "palmar", date(2026, 3, 2), "urn:uuid:1", "image/png", ("treatment",)
    ),
    "Patient/1",
)  # fmt: skip
COURSE = to_episode_of_care(Course("Patient/1", date(2026, 2, 1), ("right",)))
ENDED = to_episode_of_care(Course("Patient/1", date(2026, 2, 1), ("right",), until=date(2026, 6, 30)))
SPOILT: dict[str, tuple[Json, dict[str, Any], str]] = {
    "an injury on both sides": (INJURY, {"bodySite": INJURY["bodySite"] + LEFT["bodySite"]}, "one-side"),
    "an injury nowhere": (INJURY, {"bodySite": []}, "one-side"),
    "a month instead of a day": (INJURY, {"onsetDateTime": "2026-02"}, "whole-day"),
    "an operation without a day": (OPERATION, {"performedDateTime": None}, "operation-day"),
    "a referral without a day": (REFERRAL, {"authoredOn": None}, "referral-day"),
    "a precaution without a place": (FLAG, {"extension": []}, "precaution-place"),
    "a precaution without a beginning": (FLAG, {"period": {}}, "whole-day"),
    "a goal without a target": (GOAL, {"target": [{"measure": GOAL["target"][0]["measure"]}]}, "target"),
    "a course without a beginning": (COURSE, {"period": {}}, "since"),
    "a finished course without its last day": (COURSE, {"status": "finished"}, "since"),
    "an open course with a last day": (COURSE, {"period": ENDED["period"]}, "end-of-course"),
    "a course that ends in a year": (ENDED, {"period": {"start": "2026-02-01", "end": "2026"}}, "since"),
    "a course that begins late": (ENDED, {"period": {**ENDED["period"], "start": "2027-01-01"}}, "order-of-days"),
    "a picture inside the record": (PICTURE, {"content": {"data": "AAAA"}}, "picture-address"),
    "a picture without a day": (PICTURE, {"createdDateTime": None}, "picture-day"),
    "a picture without consent": (PICTURE, {"extension": []}, "consent-purpose"),
    "a profile on another type": (COURSE, {"meta": FLAG["meta"]}, "type-of-profile"),
}  # fmt: skip


@pytest.mark.parametrize("name", SPOILT)
def test_what_claims_a_profile_of_ours_meets_its_rules_through_every_door(name: str) -> None:
    good, changes, rule = SPOILT[name]
    assert check_claims(good) == []
    bad = {key: value for key, value in {**good, **changes}.items() if value is not None}
    assert [issue.rule for issue in check_claims(bad)] == [rule]


def test_a_course_comes_back_the_same() -> None:
    course = Course("Patient/1", date(2026, 2, 1), ("left", "right"), "left", "right", "tendon repair")
    assert from_episode_of_care(to_episode_of_care(course)) == course
    ended = replace(course, until=date(2026, 6, 30))
    assert from_episode_of_care(to_episode_of_care(ended)) == ended
    assert to_episode_of_care(ended)["status"] == "finished"
    with pytest.raises(Invalid, match="day it began"):
        from_episode_of_care({**to_episode_of_care(course), "period": {}})


def test_every_profile_of_a_course_has_an_example() -> None:
    claimed = {url for resource in STATED.values() for url in resource["meta"]["profile"]}
    assert {each["url"] for each in course_profiles()} == claimed


@pytest.mark.parametrize("name", STATED)
def test_the_example_is_what_is_stated(name: str) -> None:
    kept = parse((FOLDER / f"{name}.json").read_bytes())
    assert as_written(kept) == as_written(STATED[name])
    assert check_claims(kept) == []
