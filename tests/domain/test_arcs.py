"""Directions, their named ends, and the notations in which an arc is written down."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.domain.arcs import ARCS, CONVENTIONS, direction_of, directions, number, read_arc, signed
from service.errors import Invalid

DIRECTIONS = list(dict.fromkeys(d for joint in ARCS for d in directions(joint)))
ORDERS = [(name, order) for arcs in ARCS.values() for arc in arcs for name, order in arc.orders.items()]
amounts = st.decimals(-180, 180, places=1)


@given(st.sampled_from(DIRECTIONS), amounts)
def test_an_end_and_its_position_are_inverse(direction, position) -> None:
    if position < 0 and not direction.deficit:
        with pytest.raises(Invalid, match="no amount below zero"):
            direction.end(position)
        return
    name, amount = direction.end(position)
    assert amount >= 0
    assert name in direction.ends
    assert direction.position(name, amount) == position


def test_full_extension_of_a_finger_is_a_deficit_of_0() -> None:
    extension = direction_of("pip", "extension-deficit")
    assert extension.end(Decimal(0)) == ("extension-deficit", 0)
    assert direction_of("wrist", "extension").end(Decimal(0)) == ("extension", 0)


@pytest.mark.parametrize("joint", ARCS)
def test_every_end_belongs_to_one_direction_of_the_joint(joint) -> None:
    ends = [e for d in directions(joint) for e in d.ends]
    assert len(set(ends)) == len(ends)
    assert all(direction_of(joint, e) in directions(joint) for e in ends)
    assert direction_of(joint, "rotation") is None


@pytest.mark.check_values("neutral_zero_parse_ext_zero_flex")
def test_neutral_zero_text_of_a_finger(row) -> None:
    order = ARCS["mcp"][0].orders["extension-flexion"]
    ends = [d.end(p) for d, p in zip(order, read_arc(row.inputs["notation"], order, "neutral-zero"), strict=True)]
    assert ends == [("extension-deficit", row.expected["ext_deficit"]), ("flexion", row.expected["flex"])], row.source
    assert row.expected["flex"] - row.expected["ext_deficit"] == row.expected["arc"]


@pytest.mark.published(source="Debrunner neutral-zero method: the middle number is 0 when the arc crosses neutral")
def test_three_numbers_when_the_arc_crosses_neutral() -> None:
    order = ARCS["mcp"][0].orders["extension-flexion"]
    assert read_arc("10-0-90", order, "neutral-zero") == (10, 90)


@pytest.mark.parametrize(
    ("text", "positions"),
    [("0-20-90", (-20, 90)), ("20-10-0", (20, -10)), ("0 / 20 / 90", (-20, 90)), ("0–20,5–90", (Decimal("-20.5"), 90))],
)
def test_neutral_zero_keeps_the_order(text, positions) -> None:
    order = ARCS["pip"][0].orders["extension-flexion"]
    assert read_arc(text, order, "neutral-zero") == positions
    turned = ARCS["pip"][0].orders["flexion-extension"]
    numbers = text.replace("–", "-").replace(" / ", "-").split("-")
    assert read_arc("-".join(reversed(numbers)), turned, "neutral-zero") == positions[::-1]


def neutral_zero(first: Decimal, second: Decimal) -> str:
    """The notation written from two positions, as the method says: the test's own, to be read back."""
    if first >= 0 and second >= 0:
        return f"{first}-0-{second}"
    return f"0-{-first}-{second}" if first < 0 else f"{first}-{-second}-0"


@given(st.sampled_from(ORDERS), amounts, amounts)
def test_neutral_zero_is_read_as_it_was_written(order, first, second) -> None:
    assume(first + second >= 0)
    assert read_arc(neutral_zero(first, second), order[1], "neutral-zero") == (first, second)


@pytest.mark.published(
    source="Mulder & Wittmeier, Physiother Can 2009;61:266, PMC2793704: both signs are used for both"
)
def test_a_sign_means_opposite_things_under_the_two_conventions() -> None:
    order = ARCS["pip"][0].orders["extension-flexion"]
    deficit = read_arc("-20/90", order, "minus-is-deficit")
    beyond = read_arc("-20/90", order, "minus-is-hyperextension")
    assert [order[0].end(p[0]) for p in (deficit, beyond)] == [("extension-deficit", 20), ("hyperextension", 20)]
    assert deficit[1] == beyond[1] == 90
    for convention in ("", "named"):
        with pytest.raises(Invalid, match="need a convention"):
            read_arc("-20/90", order, convention)


def test_a_bare_negative_number_is_refused() -> None:
    with pytest.raises(Invalid, match="A signed number needs a convention"):
        signed(direction_of("pip", "hyperextension"), Decimal(-20), "named")


def test_neutral_zero_text_is_never_one_number() -> None:
    with pytest.raises(Invalid, match="states an arc, not one number"):
        signed(direction_of("pip", "flexion"), Decimal(20), "neutral-zero")


def test_no_hyperextension_where_the_joint_has_none() -> None:
    with pytest.raises(Invalid, match="no hyperextension"):
        signed(direction_of("wrist", "extension"), Decimal(-20), "minus-is-hyperextension")


@given(st.sampled_from(sorted(set(CONVENTIONS) - {"named"})), st.integers(1, 120), st.integers(1, 119))
def test_flexion_smaller_than_the_deficit_is_refused(convention, deficit, less) -> None:
    flexion = max(deficit - less, 0)
    text = {
        "neutral-zero": f"0-{deficit}-{flexion}",
        "minus-is-deficit": f"-{deficit}/{flexion}",
        "minus-is-hyperextension": f"{deficit}/{flexion}",
    }[convention]
    with pytest.raises(Invalid):
        read_arc(text, ARCS["pip"][0].orders["extension-flexion"], convention)


@pytest.mark.parametrize("text", ["", "90", "0-90", "5-10-90", "0-20-90-3", "a-0-b", "10--0-90", "0-0-1e5", "NaN-0-90"])
def test_what_is_not_neutral_zero_is_refused(text) -> None:
    with pytest.raises(Invalid):
        read_arc(text, ARCS["pip"][0].orders["extension-flexion"], "neutral-zero")


@pytest.mark.parametrize(
    ("text", "value"), [("35", "35"), (" 35,50 ", "35.50"), ("−5", "-5"), ("+5.0", "5.0"), ("007", "7")]
)
def test_numbers_as_people_write_them(text, value) -> None:
    assert number(text) == Decimal(value)
    assert number(text).as_tuple().exponent == Decimal(value).as_tuple().exponent


@pytest.mark.parametrize(
    "text", ["", "1e5", "NaN", "Infinity", "1_000", "1,000.5", "--5", "5 5", "0x10", "1" * 10, "."]
)
def test_what_is_not_a_number_is_refused(text) -> None:
    with pytest.raises(Invalid, match="is not a number"):
        number(text)


@given(st.text(max_size=12))
def test_any_text_is_a_number_or_refused(text) -> None:
    try:
        found = number(text)
    except Invalid:
        return
    assert found.is_finite()
    assert abs(found) < 10**9
