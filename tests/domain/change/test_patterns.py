"""Movement patterns by state of the orthosis: the same, changed, or changed in it and not free."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from service.domain.anatomy import PartState, Site
from service.domain.change.patterns import patterns_of
from service.domain.measurement import Circumstances, Coded, Measurement

RING = Site("right", "ring")


def seen(day: int, code: str, state: str, *, status: str = "final") -> Measurement:
    taken = datetime(2026, 3, 2, 9, 0, tzinfo=UTC) + timedelta(days=day)
    around = Circumstances("Patient/made-up", taken, status=status, id=f"o{day}-{state}", version="1")
    context = {"orthosis_state": state} if state else {}
    return Measurement("movement-pattern", RING, {"pattern": "start-of-flexion"}, Coded(code), context, around)


IN_IT = [seen(1, "dip-first", "in-orthosis"), seen(20, "mcp-first", "in-orthosis")]


def test_a_pattern_that_changes_in_the_orthosis_only_is_told() -> None:
    (found,) = patterns_of([*IN_IT, seen(0, "dip-first", "free"), seen(22, "dip-first", "free")])
    assert found.not_carried
    assert "in the orthosis: DIP joint first to MCP joint first, 2026-03-03 to 2026-03-22" in found.words
    assert "free: DIP joint first, unchanged 2026-03-02 to 2026-03-24" in found.words
    assert found.last["free"].inputs[0].id == "o22-free"


def test_a_pattern_that_changes_free_as_well_carried_over() -> None:
    (found,) = patterns_of([*IN_IT, seen(0, "dip-first", "free"), seen(22, "mcp-first", "free")])
    assert not found.not_carried


def test_free_looks_from_before_do_not_tell_what_carries_over() -> None:
    (found,) = patterns_of([*IN_IT, seen(0, "dip-first", "free"), seen(2, "dip-first", "free")])
    assert not found.not_carried
    (found,) = patterns_of([*IN_IT, seen(22, "dip-first", "free")])
    assert not found.not_carried


def test_where_no_state_was_recorded_that_is_said_and_nothing_compared() -> None:
    (found,) = patterns_of([seen(0, "dip-first", ""), seen(22, "mcp-first", "")])
    assert "state of the orthosis not recorded: DIP joint first to MCP joint first" in found.words
    assert not found.not_carried


def test_retracted_looks_and_those_of_a_lost_digit_are_not_used() -> None:
    lost = PartState(RING, "absent", date(2026, 3, 10), level="mcp")
    (found,) = patterns_of([*IN_IT, seen(3, "together", "free", status="entered-in-error")], [lost])
    assert set(found.last) == {"in-orthosis"}
    assert found.last["in-orthosis"].code == "dip-first"
