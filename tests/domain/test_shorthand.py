"""Shorthand: the grammar, what it refuses, and that writing and reading are inverses."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.anatomy import PARTS
from service.domain.arcs import ARCS, CONVENTIONS, directions
from service.domain.kinds import KINDS
from service.domain.kinds.touch_threshold import MARKINGS
from service.domain.measurement import ABSENT_REASONS, Absent, Circumstances, Coded, Entry, MeasurementKind, Quantity
from service.domain.reading import read_entry
from service.domain.shorthand import parse, parse_all, write
from service.domain.shorthand_words import PHRASES
from service.errors import Invalid

HERE = Circumstances(subject="Patient/1", taken=datetime(2026, 3, 2, 9, tzinfo=UTC), performer_name="AB")


def values(line: str, declared: str = "") -> list[tuple[str, object]]:
    """What a line comes to once it is read: the motion, and the number or code."""
    made = read_entry(parse(line, declared), HERE).measurements
    return [
        (m.answer("motion"), m.value.number if isinstance(m.value, Quantity) else getattr(m.value, "code", "absent"))
        for m in made
    ]


def refusal(line: str, declared: str = "") -> list[tuple[str, str, str]]:
    with pytest.raises(Invalid) as caught:
        parse(line, declared)
    return [(issue.where, issue.value, issue.rule) for issue in caught.value.issues]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("R index PIP AROM ext/flex -20/90 minus-is-deficit", [("extension-deficit", 20), ("flexion", 90)]),
        ("R index PIP AROM ext/flex -20/90 minus-is-hyperextension", [("hyperextension", 20), ("flexion", 90)]),
        ("R index PIP active flex/ext 90/-20 minus-is-deficit", [("flexion", 90), ("extension-deficit", 20)]),
        ("L D4 DIP passive ext/flex 0-20-90 neutral-zero", [("extension-deficit", 20), ("flexion", 90)]),
        ("L D4 MP passive ext/flex 10-0-90 neutral-zero", [("hyperextension", 10), ("flexion", 90)]),
        ("right wrist ext/flex 60-0-55 neutral-zero", [("extension", 60), ("flexion", 55)]),
        ("left forearm pronation/supination 80-0-75 neutral-zero", [("pronation", 80), ("supination", 75)]),
        ("R thumb IP flexion 45,5", [("flexion", Decimal("45.5"))]),
        ("R ring pip extension deficit 30 in orthosis", [("extension-deficit", 30)]),
        ("R thumb CMC palmar abduction 40", [("palmar-abduction", 40)]),
        ("R grip 30/32/31 kgf handle 2", [("unknown", Decimal("31.0"))]),
        ("R grip best 30/stopped-for-pain/31 kgf", [("unknown", 31)]),
        ("L grip 61.5 lbf", [("unknown", Decimal("61.5"))]),
        ("R index tip touch 4.56", [("unknown", "marking-4.56")]),
        ("l d5 touch tip not felt", [("unknown", "not-felt")]),
        ("R middle tip touch absent=not-applicable", [("unknown", "absent")]),
        ("R pinch-strength pinch=key 6/7/6.5 kgf", [("unknown", Decimal("6.50"))]),
        ("L thumb-opposition value=8 active", [("unknown", "8")]),
        ("handedness value=left", [("unknown", "left")]),
    ],
)
def test_a_line_says_what_it_says(line: str, expected: list[tuple[str, object]]) -> None:
    assert values(line) == expected


def test_words_may_stand_in_any_order_and_case() -> None:
    one = parse("R index PIP active ext/flex 0-20-90 neutral-zero out of orthosis together")
    other = parse("NEUTRAL-ZERO Together Ext/Flex 0-20-90 out of Orthosis AROM pip INDEX right")
    assert replace(one, text="") == replace(other, text="")
    assert one.fields == {
        "motion": "extension-flexion", "mode": "active", "orthosis_state": "out-of-orthosis", "together": "together",
    }  # fmt: skip


def test_the_text_is_kept_as_it_was_written() -> None:
    line = "R index PIP  AROM ext/flex -20/90 minus-is-deficit"
    entry = parse(f"  {line} ")
    assert entry.text == line
    assert all(m.entered == line for m in read_entry(entry, HERE).measurements)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("R index PIP ext/flex 20/90", [("word 5", "20/90", "arc-convention")]),
        ("R index PIP ext/flex 0-20-90", [("word 5", "0-20-90", "arc-convention")]),
        ("R index PIP 20/90 minus-is-deficit", [("word 4", "20/90", "order-of-motions")]),
        ("R index PIP flexion 20/90 minus-is-deficit", [("word 5", "20/90", "order-of-motions")]),
        ("R index PIP 0-90 ext/flex minus-is-deficit", [("word 4", "0-90", "shorthand-word")]),
        ("R index PIP active passive flexion 90", [("word 5", "passive", "said-twice")]),
        ("R index PIP flexion 90 80", [("word 6", "80", "said-twice")]),
        (
            "R index PIP actve flexoin 90",
            [("word 4", "actve", "shorthand-word"), ("word 5", "flexoin", "shorthand-word")],
        ),
        ("index PIP flexion 90", [("line", "", "side-said")]),
        ("R flexion 90", [("line", "", "site-said")]),
        ("R index PIP flexion", [("line", "", "value-said")]),
        ("R index IP flexion 90", [("word 3", "IP", "known-site")]),
        ("R grip 30 kg", [("word 4", "kg", "shorthand-word")]),
        ("R grip 30 kgf together", [("word 5", "together", "known-field")]),
        ("R index PIP handle 2 flexion 90", [("word 4", "handle 2", "known-field")]),
        ("R index PIP flexion 90 mode=sleepy", [("word 6", "mode=sleepy", "known-answer")]),
        ('R index PIP flexion 90 note="unclosed', [("word 6", 'note="unclosed', "shorthand-word")]),
        ("R index PIP flexion NaN", [("word 5", "NaN", "shorthand-word")]),
        ("R index PIP flexion 1e400", [("word 5", "1e400", "shorthand-word")]),
        ("R index PIP flexion 9\x000", [("word 5", "9\x000", "shorthand-word")]),
    ],
)
def test_what_is_ambiguous_or_unknown_is_refused_by_word(line: str, expected: list[tuple[str, str, str]]) -> None:
    assert refusal(line) == expected


def test_a_refusal_says_what_was_expected() -> None:
    with pytest.raises(Invalid, match=r"word 4: 'actve' is not a word .* Expected: active"):
        parse("R index PIP actve flexion 90")
    with pytest.raises(Invalid, match="a dial marked kg shows a force"):
        parse("R grip 30 kg")


def test_a_signed_number_without_a_convention_is_refused_when_it_is_read() -> None:
    entry = parse("R index PIP extension -20")
    with pytest.raises(Invalid, match="convention"):
        read_entry(entry, HERE)


def test_declared_words_hold_where_the_line_is_silent() -> None:
    declared = "minus-is-deficit ext/flex active together kgf"
    assert values("R index PIP -20/90", declared) == [("extension-deficit", 20), ("flexion", 90)]
    assert parse("R index PIP passive -20/90", declared).fields["mode"] == "passive"
    assert parse("R grip 30", declared).unit == "kgf"
    assert values("R index PIP ext/flex 20-0-90 neutral-zero", declared)[0] == ("hyperextension", 20)
    assert parse("R index PIP flexion 90", declared).convention == "named"
    assert values("R index PIP extension -5", declared) == [("extension-deficit", 5)]


@pytest.mark.parametrize("word", ["R", "index", "PIP", "grip", "90", "note=x"])
def test_what_makes_a_reading_cannot_be_declared(word: str) -> None:
    assert refusal("R index PIP flexion 90", f"active {word}") == [("declared word 2", word, "declared-word")]


def test_a_text_of_lines() -> None:
    lines = parse_all(
        "# invented\n"
        "declare neutral-zero ext/flex active\n"
        "\n"
        "R index PIP 0-20-90\n"
        "R index PIP 20/90/\n"
        "declare minus-is-deficit ext/flex\n"
        "R index PIP -20/90\n"
        "declare R\n"
        "R index PIP -20/90\n"
    )
    assert [(line.number, line.entry is not None) for line in lines] == [
        (4, True),
        (5, False),
        (7, True),
        (8, False),
        (9, False),
    ]
    assert [i.where for i in lines[1].issues] == ["word 4"]
    assert lines[2].entry is not None
    assert lines[2].entry.convention == "minus-is-deficit"


AMOUNTS = st.decimals(0, 179, places=1, allow_nan=False).map(str) | st.integers(0, 179).map(str)
TEXTS = st.text(st.characters(codec="utf-8", exclude_characters='"', exclude_categories=["C"]), min_size=1).map(
    str.strip
).filter(bool)  # fmt: skip


@st.composite
def joint_values(draw: st.DrawFn, joint: str) -> tuple[str, str, str]:
    """A motion, its value, and a convention under which the two belong together."""
    orders = [order for arc in ARCS[joint] for order in arc.orders]
    ends = [end for d in directions(joint) for end in d.ends]
    if orders and draw(st.booleans()):
        order, a, b = draw(st.sampled_from(orders)), draw(AMOUNTS), draw(AMOUNTS)
        if draw(st.booleans()):
            return order, draw(st.sampled_from([f"0-{a}-{b}", f"{a}-0-{b}", f"{a}-{b}-0"])), "neutral-zero"
        signs = st.sampled_from(["", "-", "+"])
        value = f"{draw(signs)}{a}/{draw(signs)}{b}"
        return order, value, draw(st.sampled_from([c for c in CONVENTIONS if c.startswith("minus")]))
    return draw(st.sampled_from(ends)), draw(AMOUNTS), draw(st.sampled_from(list(CONVENTIONS)))


@st.composite
def values_of(draw: st.DrawFn, kind: MeasurementKind) -> tuple[str, tuple[str, ...]]:
    """A value, or trials."""
    if kind.values and (not kind.units or draw(st.booleans())):
        coded = [*MARKINGS, "not-felt"] if kind.name == "touch-threshold" else list(kind.values)
        return draw(st.sampled_from(coded)), ()
    if kind.summary_rules and draw(st.booleans()):
        return "", tuple(draw(st.lists(AMOUNTS | st.sampled_from(list(ABSENT_REASONS)), min_size=2, max_size=5)))
    return draw(st.sampled_from(["", "<", ">="])) + draw(AMOUNTS), ()


@st.composite
def entries(draw: st.DrawFn) -> Entry:
    """An entry of any kind, lawful in form."""
    kind = KINDS[draw(st.sampled_from(list(KINDS)))]
    site = draw(st.sampled_from(kind.sites))
    fields = {
        f.name: draw(st.sampled_from(f.codes) if f.choices else TEXTS)
        for f in kind.all_fields
        if f.name != "convention" and draw(st.booleans())
    }
    convention, (value, trials) = "", draw(values_of(kind))
    if kind.panels:
        fields["motion"], value, convention = draw(joint_values(PARTS[site].joint))
    absent = draw(st.sampled_from(["", *ABSENT_REASONS]))
    texts = {name: draw(st.just("") | TEXTS) for name in ("confirmed", "note", "key")}
    return Entry(
        kind=kind.name,
        side=draw(st.sampled_from(PARTS[site].sides)),
        site=site,
        value="" if absent else value,
        unit=draw(st.sampled_from(kind.units)) if kind.units else "",
        convention=convention,
        fields=fields,
        trials=() if absent else trials,
        absent=absent,
        **texts,
    )


@given(entries())
def test_a_line_written_is_read_back_as_the_same_entry(entry: Entry) -> None:
    line = write(entry)
    assert parse(line) == replace(entry, text=line)


@given(entries(), entries())
def test_two_entries_never_share_a_line(one: Entry, other: Entry) -> None:
    assert (write(one) == write(other)) == (one == other)


@given(st.lists(st.sampled_from([*map(" ".join, PHRASES), "90", "-20/90", "0-20-90", "mode=active", "x"]), max_size=9))
def test_any_run_of_words_is_read_or_refused(words: list[str]) -> None:
    line = " ".join(words)
    for read in parse_all(line):
        assert (read.entry is None) == bool(read.issues)
        assert read.entry is None or parse(write(read.entry)) == replace(read.entry, text=write(read.entry))


def test_values_are_of_their_type() -> None:
    touch = read_entry(parse("R index tip touch 4.56"), HERE).measurements[0].value
    none = read_entry(parse("R index tip touch absent=not-performed"), HERE).measurements[0].value
    assert (touch, none) == (Coded("marking-4.56"), Absent("not-performed"))
