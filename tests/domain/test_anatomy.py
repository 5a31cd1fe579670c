"""Sides, parts and sites, and what the state of a part makes impossible."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.anatomy import (
    DIGITS,
    FINGERS,
    LEVELS,
    PARTS,
    SIDES,
    SITE_TERMS,
    PartState,
    Site,
    lacking,
    site,
    site_of_code,
)
from service.errors import Invalid

DAY = date(2026, 3, 1)
SITES = [Site(side, key) for side in SIDES for key, part in PARTS.items() if side in part.sides]


TIP = {"tip", "tip-radial", "tip-ulnar", "distal-phalanx"}
NERVES_OF_FINGER = {"radial-digital-nerve", "ulnar-digital-nerve"}
FINGER = {*TIP, *NERVES_OF_FINGER, "dip", "middle-phalanx", "pip", "proximal-phalanx", "base", "dorsum", "mcp"}


def joints(digit: str) -> set[str]:
    return {p.joint for p in PARTS.values() if p.kind == "joint" and p.digit == digit}


def test_the_thumb_has_no_pip_and_a_finger_no_ip() -> None:
    assert joints("thumb") == {"cmc", "mcp", "ip"}
    assert all(joints(finger) == {"mcp", "pip", "dip"} for finger in FINGERS)


@pytest.mark.parametrize("where", SITES, ids=lambda s: s.code)
def test_a_code_names_its_site(where) -> None:
    assert site_of_code(where.code) == where == site(where.side, where.key)
    assert where.other.other == where != where.other
    assert where.term.code == where.code
    assert where.name == f"{where.side} {where.part.name}" == where.term.display


@pytest.mark.parametrize(
    ("side", "key", "code", "name"),
    [
        ("both", "hand", "both-hand", "both hands"),
        ("", "person", "person", "person"),
    ],
)
def test_what_is_on_no_one_side_has_no_other(side, key, code, name) -> None:
    where = site(side, key)
    assert (where.code, where.name, where.other) == (code, name, where)
    assert site_of_code(code) == where


@pytest.mark.parametrize(("side", "key"), [("", "hand"), ("left", "person"), ("both", "index-pip"), ("both", "person")])
def test_a_part_is_found_only_on_its_own_sides(side, key) -> None:
    with pytest.raises(Invalid):
        site(side, key)


def test_codings_agree_in_side_and_are_not_shared() -> None:
    same = [(t.code, c) for t in SITE_TERMS.values() for c in t.same]
    assert len({c.code for _, c in same}) == len(same)
    for code, coding in same:
        assert coding.display.lower().startswith(code.split("-", maxsplit=1)[0])
    for term in SITE_TERMS.values():
        assert not {c.code for c in term.same} & {c.code for c in term.broader}


@pytest.mark.parametrize(
    ("side", "key", "hint"),
    [("middle", "index-pip", "left or right"), ("left", "thumb-pip", "thumb-ip"), ("left", "index-ip", "index-dip")],
)
def test_what_the_hand_does_not_have_is_refused(side, key, hint) -> None:
    with pytest.raises(Invalid, match=hint):
        site(side, key)


@pytest.mark.parametrize(
    ("level", "lost"),
    [
        ("distal-phalanx", TIP),
        ("dip", TIP | {"dip"}),
        ("middle-phalanx", TIP | {"dip", "middle-phalanx"}),
        ("pip", TIP | {"dip", "middle-phalanx", "pip"}),
        ("proximal-phalanx", FINGER - {"mcp", *NERVES_OF_FINGER}),
        ("mcp", FINGER - NERVES_OF_FINGER),
        ("metacarpal", FINGER),
    ],
)
def test_what_a_loss_at_a_level_takes_from_a_finger(level, lost) -> None:
    states = [PartState(Site("left", "ring"), "absent", DAY, level)]
    parts = [key for key, part in PARTS.items() if part.digit == "ring" and part.kind != "digit"]
    found = {key.removeprefix("ring-") for key in parts if lacking(states, Site("left", key), DAY)}
    assert found == lost


@pytest.mark.parametrize(("level", "lost"), [("distal-phalanx", set()), ("ip", {"ip"}), ("mcp", {"ip", "mcp"})])
def test_what_a_loss_at_a_level_takes_from_the_thumb(level, lost) -> None:
    states = [PartState(Site("left", "thumb"), "absent", DAY, level)]
    found = {joint for joint in joints("thumb") if lacking(states, Site("left", f"thumb-{joint}"), DAY)}
    assert found == lost


def test_only_the_digit_named_and_only_its_side() -> None:
    states = [PartState(Site("left", "ring"), "absent", DAY, "metacarpal")]
    lost = {s.part.digit for s in SITES if lacking(states, s, DAY)}
    assert lost == {"ring"}
    assert not any(lacking(states, s, DAY) for s in SITES if s.side == "right")


def test_the_latest_state_on_the_day_counts() -> None:
    joint = Site("right", "index-dip")
    states = [PartState(joint, "present", DAY + timedelta(20)), PartState(joint, "fused", DAY + timedelta(10))]
    assert lacking(states, joint, DAY) is None
    assert lacking(states, joint, DAY + timedelta(10)) is states[1]
    assert lacking(states, joint, DAY + timedelta(20)) is None


@pytest.mark.parametrize("state", ["replaced", "replanted", "congenital-difference", "present"])
def test_other_states_make_nothing_impossible(state) -> None:
    joint = Site("right", "index-pip")
    assert lacking([PartState(joint, state, DAY)], joint, DAY) is None


def level_of(digit: str) -> st.SearchStrategy[str]:
    other = {"thumb": ("dip", "pip", "middle-phalanx")}.get(digit, ("ip", "cmc"))
    return st.sampled_from([level for level in LEVELS if level not in other])


@given(st.sampled_from(DIGITS).flatmap(lambda d: st.tuples(st.just(d), level_of(d), level_of(d))))
def test_a_loss_further_up_takes_at_least_as_much(case) -> None:
    digit, *levels = case
    lost = [
        {s for s in SITES if lacking([PartState(Site("left", digit), "absent", DAY, level)], s, DAY)}
        for level in levels
    ]
    assert lost[0] <= lost[1] or lost[1] <= lost[0]
