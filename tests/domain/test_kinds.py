"""What every declaration of a kind must keep to."""

from __future__ import annotations

from itertools import product

import pytest

from service.domain.anatomy import PARTS, SIDES, Site
from service.domain.field import UNKNOWN
from service.domain.kinds import KINDS
from service.domain.units import UNITS

EACH = pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.name)


def combinations(kind):
    """Every combination of answers that makes a code, built without the kind's own list."""
    names = (["side"] if kind.side_in_code else []) + [a.name for a in kind.axes]
    answers = ([SIDES] if kind.side_in_code else []) + [a.codes for a in kind.axes]
    return [dict(zip(names, each, strict=True)) for each in product(*answers)]


def test_no_two_kinds_share_a_code() -> None:
    codes = [code for kind in KINDS.values() for code in (*kind.concepts, *kind.panel_concepts)]
    assert len(set(codes)) == len(codes)


@EACH
def test_a_code_stands_for_one_combination_of_answers(kind) -> None:
    every = combinations(kind)
    assert len({kind.code(axes) for axes in every}) == len(every) == len(kind.concepts)
    for axes in every:
        term, answers = kind.concepts[kind.code(axes)]
        assert dict(answers) == axes
        assert term.properties == {"kind": kind.name, **axes}
        assert term.display == kind.display(axes)


@EACH
def test_displays_tell_the_codes_apart(kind) -> None:
    displays = [term.display for term, _ in kind.concepts.values()]
    assert len(set(displays)) == len(displays)


@EACH
def test_a_coding_of_equal_meaning_belongs_to_one_meaning(kind) -> None:
    """An ordinary test and one whose orthosis state was not recorded are the only two that may share one."""
    shared: dict[str, set[str]] = {}
    for term, axes in kind.concepts.values():
        for coding in term.same:
            shared.setdefault(coding.code, set()).add(axes.get("side", "") + axes.get("orthosis_state", ""))
        assert not {c.code for c in term.same} & {c.code for c in term.broader}
    for meanings in shared.values():
        assert len({m.replace("free", "").replace(UNKNOWN, "") for m in meanings}) == 1


@EACH
def test_sites_units_and_fields_are_known(kind) -> None:
    assert set(kind.sites) <= set(PARTS)
    assert set(kind.units) <= set(UNITS)
    assert kind.units or kind.values
    names = [f.name for f in kind.all_fields]
    assert len(set(names)) == len(names)
    ours = {*names, "site", "direction", "summary_rule", "performer", "time_of_day"}
    assert set(kind.series_key) | set(kind.watched) <= ours
    assert not set(kind.series_key) & set(kind.watched)
    assert {"site", "treatment"} <= set(kind.series_key)


@EACH
def test_bounds_name_their_source_and_stand_in_order(kind) -> None:
    for site, axes in product(kind.places, combinations(kind)):
        limits = kind.bounds(site, axes) if kind.placed(site, axes) else None
        if limits:
            assert limits.source
            assert limits.soft is None or 0 < limits.soft < limits.hard
            assert limits.unit in kind.units


@EACH
def test_no_one_side_is_bounded_otherwise(kind) -> None:
    for key, axes in product(kind.sites, combinations(kind)):
        assert kind.bounds(Site("left", key), axes) == kind.bounds(Site("right", key), axes)


@EACH
def test_what_is_unknown_is_an_answer_unless_required(kind) -> None:
    for field in kind.all_fields:
        if field.choices:
            assert (UNKNOWN in field.codes) != field.required
