"""Which histories of an orthosis can have happened."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from service.domain.orthosis.checks import require_together
from service.domain.orthosis.design import Component, Design, Held
from service.domain.orthosis.episode import Check, Exercise
from service.domain.orthosis.history import life_of
from service.domain.orthosis.naming import posture
from service.domain.orthosis.regimens import Regimen
from service.errors import Conflict, Invalid
from tests.domain.orthosis.orthoses import CAST, at, episode, event, on, worn

FITTED = event("fitted", 2)


def rule_of(error: pytest.ExceptionInfo[Any]) -> str:
    return str(error.value.issues[0].rule)


@pytest.mark.parametrize(
    ("events", "state"),
    [
        ((), "planned"),
        ((event("ordered", 1),), "planned"),
        ((event("made", 1),), "ready"),
        ((event("delivered", 1),), "ready"),
        ((FITTED,), "ready"),
        ((event("taken-over", 1), worn(1)), "worn"),
        ((FITTED, worn(2)), "worn"),
        ((FITTED, worn(2), event("held", 3)), "on-hold"),
        ((FITTED, worn(2), event("held", 3), worn(4)), "worn"),
        ((FITTED, worn(2), event("ended", 3, reason="goal-met")), "ended"),
        ((FITTED, worn(2), event("ended", 3, reason="lost"), worn(9)), "worn"),
        ((event("ended", 3, reason="abandoned-before-fitting"),), "ended"),
        ((FITTED, event("entered-in-error", 3, note="another patient's"),), "entered-in-error"),
        ((FITTED, worn(2, "weaning", 4), worn(5, "weaning", 2), worn(8)), "worn"),
    ],
)  # fmt: skip
def test_lawful_histories(events: tuple[Any, ...], state: str) -> None:
    assert life_of(episode(*events)).state == state


@pytest.mark.parametrize(
    ("events", "rule"),
    [
        ((worn(2),), "event-of-state"),
        ((event("made", 1), worn(2)), "fitted-first"),
        ((event("adjusted", 2),), "event-of-state"),
        ((event("held", 2),), "event-of-state"),
        ((FITTED, event("made", 3)), "event-of-state"),
        ((FITTED, event("ended", 3, reason="abandoned-before-fitting")), "reason-of-end"),
        ((event("ended", 3, reason="goal-met"),), "reason-of-end"),
        ((FITTED, event("answered", 3, answers=1, by_name="A. Invented", note="seen")), "event-before-its-cause"),
        ((event("made", 1), event("checked", 1, check=Check())), "fitted-first"),
        ((FITTED, event("component-removed", 3, component=Component("block"))), "component-name"),
        ((FITTED, event("exercise", 3, exercise=Exercise(shares={"block": Decimal(70)}))), "component-name"),
        ((FITTED, event("remoulded", 3, holds=(Held("ring-dip", angle=Decimal(5)),))), "joint-held"),
        ((FITTED, event("entered-in-error", 3, note="no"), event("reviewed", 4)), "event-of-state"),
    ],
)
def test_what_cannot_have_happened_names_the_rule_and_the_state(events: tuple[Any, ...], rule: str) -> None:
    with pytest.raises(Conflict) as refused:
        life_of(episode(*events))
    assert rule_of(refused) == rule
    assert "the orthosis was" in refused.value.issues[0].message


@pytest.mark.parametrize(
    ("events", "rule"),
    [
        ((event("ended", 3),), "detail-of-event"),
        ((event("worn", 3),), "detail-of-event"),
        ((event("fitted", 3, regimen=Regimen()),), "detail-of-event"),
        ((event("danced", 3),), "known-event"),
        ((FITTED, event("worn", 3, regimen=Regimen("hours-a-day"))), "wear-hours"),
        ((FITTED, event("worn", 3, regimen=Regimen("hours-a-day", Decimal(25)))), "wear-hours"),
        ((FITTED, event("worn", 3, regimen=Regimen("continuous", Decimal(3)))), "wear-hours"),
        ((FITTED, event("worn", 3, regimen=Regimen("activity"))), "named-activity"),
        ((FITTED, event("checked", 3, check=Check({"mood": "fine"}))), "known-finding"),
        ((FITTED, event("exercise", 3, exercise=Exercise(shares={"a": Decimal(70), "b": Decimal(40)}))), "share"),
        ((FITTED, event("entered-in-error", 3)), "reason-of-error"),
        ((FITTED, event("ended", 3, reason="goal-met", replaced_by="x")), "replaced-by"),
    ],
)
def test_events_that_cannot_be_as_they_stand(events: tuple[Any, ...], rule: str) -> None:
    with pytest.raises(Invalid) as refused:
        life_of(episode(*events))
    assert rule in [issue.rule for issue in refused.value.issues]


def test_an_event_before_the_decision_or_ahead_of_now_is_refused() -> None:
    early = replace(episode(FITTED), decided=date(2026, 3, 5))
    with pytest.raises(Conflict) as refused:
        life_of(early)
    assert rule_of(refused) == "event-before-its-cause"
    with pytest.raises(Invalid) as ahead:
        life_of(episode(event("fitted", 20)), at(10))
    assert rule_of(ahead) == "not-in-the-future"
    planned = replace(episode(), planned=date(2027, 1, 1))
    assert life_of(planned, at(10)).state == "planned"


def test_a_decision_ahead_and_a_number_given_twice_are_refused() -> None:
    with pytest.raises(Invalid) as ahead:
        life_of(replace(episode(), decided=date(2026, 3, 20)), at(10))
    assert rule_of(ahead) == "not-in-the-future"
    twice = episode(FITTED, worn(2))
    with pytest.raises(Invalid) as refused:
        life_of(replace(twice, events=(*twice.events, replace(event("reviewed", 3), place=2))))
    assert rule_of(refused) == "event-number"


def test_a_late_entry_is_judged_where_it_belongs() -> None:
    """Recorded third, happened second; and one that would contradict what came after is refused."""
    late = episode(FITTED, event("ended", 9, reason="goal-met")).with_events([worn(3)])
    assert life_of(late).state == "ended"
    assert life_of(late).spans[0].until is not None
    contradicting = episode(FITTED, worn(2), event("held", 5)).with_events([event("ended", 3, reason="lost")])
    with pytest.raises(Conflict):
        life_of(contradicting)


def test_taking_back_what_others_rest_on_is_refused() -> None:
    told = episode(FITTED, worn(2))
    without = replace(
        told, events=tuple(replace(e, retracted="wrong") if e.kind == "fitted" else e for e in told.events)
    )
    with pytest.raises(Conflict):
        life_of(without)


def test_within_a_day_times_decide_and_days_stay_as_recorded() -> None:
    timed = replace(FITTED, at=at(2, 15), day_only=False), replace(worn(2), at=at(2, 9), day_only=False)
    with pytest.raises(Conflict):
        life_of(episode(*timed))
    assert life_of(episode(FITTED, replace(worn(2), at=at(2, 9), day_only=False))).state == "worn"


def test_cut_in_halves_comes_off_and_remoulding_sets_new_angles() -> None:
    told = life_of(
        episode(
            FITTED,
            worn(2),
            event("cut-in-halves", 4),
            event("remoulded", 5, holds=(Held("ring-pip", "flexion", Decimal(20)),)),
        )
    )
    assert told.design.removable == "yes"
    assert told.design.holds == (Held("ring-pip", "flexion", Decimal(20), primary=True),)
    assert told.design_on(date(2026, 3, 3), CAST).removable == "no"


def test_a_red_flag_stays_until_a_named_clinician_says_what_was_done() -> None:
    flagged = episode(FITTED, worn(2), event("checked", 3, check=Check({"skin": "a blister"}, red_flag=True)))
    assert [e.place for e in life_of(flagged).unanswered] == [3]
    with pytest.raises(Invalid) as refused:
        life_of(flagged.with_events([event("answered", 4, answers=3, by_name="A. Invented")]))
    assert rule_of(refused) == "red-flag-answer"
    answered = flagged.with_events([event("answered", 4, answers=3, by_name="A. Invented", note="edge flared")])
    assert life_of(answered).unanswered == ()


# Orthoses of one person together

NIGHT = Design("right", digits=("ring",), holds=(Held("ring-pip", angle=Decimal(0)),), removable="yes")


def _worn(name: str, design: Design, *events: Any, **more: Any) -> Any:
    return episode(FITTED, *events, design=design, name=name, **more)


@pytest.mark.parametrize(
    "together",
    [
        pytest.param(
            (_worn("day", NIGHT, worn(2, "hours-a-day", 14)), _worn("night", NIGHT, worn(2, "night", 10))),
            id="day and night",
        ),
        pytest.param(
            (
                _worn("one", CAST, worn(2)),
                _worn("two", replace(CAST, digits=("index",), holds=(Held("index-pip"),)), worn(2)),
            ),
            id="several finger casts",
        ),
        pytest.param(
            (_worn("cast", CAST, worn(2)), _worn("over", replace(NIGHT, over="cast"), worn(2, "night", 8))),
            id="an orthosis over a cast",
        ),
        pytest.param(
            (
                _worn("removable", NIGHT, worn(2, "hours-a-day", 20), event("ended", 9, reason="replaced")),
                _worn("cast again", CAST, worn(9)),
            ),
            id="removable, then a cast again",
        ),
        pytest.param((_worn("right", CAST, worn(2)), _worn("left", replace(CAST, side="left"), worn(2))), id="sides"),
        pytest.param(
            (
                _worn("halves", CAST, worn(2), event("cut-in-halves", 5), worn(5, "night", 10)),
                _worn("new", CAST, worn(5, "hours-a-day", 14)),
            ),
            id="a cast cut in halves, then another",
        ),
    ],
)
def test_lawful_together(together: tuple[Any, ...]) -> None:
    require_together(together)


@pytest.mark.parametrize(
    ("together", "rule"),
    [
        ((_worn("one", CAST, worn(2)), _worn("two", CAST, worn(5))), "two-not-removable"),
        (
            (
                _worn("one", CAST, worn(2, "night", 8)),
                _worn("two", replace(CAST, removable="loosen-only"), worn(5, "hours-a-day", 8)),
            ),
            "two-not-removable",
        ),
        (
            (_worn("one", NIGHT, worn(2, "hours-a-day", 16)), _worn("two", NIGHT, worn(5, "night", 9))),
            "day-of-24-hours",
        ),
        ((_worn("one", NIGHT, worn(2)), _worn("two", NIGHT, worn(5, "night"))), "day-of-24-hours"),
    ],
)
def test_refused_together(together: tuple[Any, ...], rule: str) -> None:
    with pytest.raises(Conflict) as refused:
        require_together(together)
    assert rule in [issue.rule for issue in refused.value.issues]


def test_what_was_entered_in_error_holds_nothing() -> None:
    never = _worn("never", CAST, worn(2), event("entered-in-error", 6, note="another patient's"))
    require_together([never, _worn("one", CAST, worn(2))])


@pytest.mark.parametrize(
    ("design", "rule"),
    [
        (replace(CAST, holds=(Held("ring-toe"),)), "joint-held"),
        (replace(CAST, holds=(Held("index-pip"),)), "digit-of-design"),
        (replace(CAST, holds=(Held("ring-pip", angle=Decimal(-5)),)), "named-direction"),
        (replace(CAST, free=("ring-pip",)), "held-or-free"),
        (replace(CAST, articular=False), "non-articular"),
        (
            replace(CAST, holds=(Held("ring-pip", "flexion", Decimal(5)), Held("ring-pip", "extension", Decimal(5)))),
            "one-direction",
        ),
        (replace(CAST, modified_by="A. Invented"), "what-was-modified"),
        (replace(CAST, removable="maybe"), "known-answer"),
        (replace(CAST, components=(Component("block", Decimal(120)),)), "share"),
    ],
)
def test_designs_that_cannot_be(design: Design, rule: str) -> None:
    with pytest.raises(Invalid) as refused:
        life_of(episode(design=design))
    assert rule in [issue.rule for issue in refused.value.issues]


def test_posture_in_words_follows_from_the_angles() -> None:
    """Where the words begin is our own proposal; the two postures themselves are textbook knowledge (from memory)."""

    def held(mp: int, pip: int, dip: int | None = None) -> Design:
        joints = [("ring-mcp", mp), ("ring-pip", pip), *([("ring-dip", dip)] if dip is not None else [])]
        return replace(CAST, holds=tuple(Held(joint, "flexion", Decimal(angle)) for joint, angle in joints))

    assert posture(held(70, 0, 0)) == "intrinsic-plus"
    assert posture(held(0, 60, 40)) == "intrinsic-minus"
    assert posture(held(0, 0, 0)) == "fingers straight"
    assert posture(held(30, 30)) == ""
    mp_block = replace(CAST, holds=(Held("ring-mcp", "flexion", Decimal(20)),), free=("ring-pip", "ring-dip"))
    assert posture(mp_block) == ""


def test_a_day_alone_is_ahead_only_if_it_has_begun_nowhere() -> None:
    assert life_of(episode(event("fitted", 11)), at(10, 11)).fitted
    with pytest.raises(Invalid):
        life_of(episode(event("fitted", 11)), at(10, 9))
    assert on(11).tzinfo is not None
