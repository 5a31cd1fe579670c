"""What an episode has and lacks under the rules, one item at a time, and which rules apply."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from service.domain.billing.checklist import checklist, lacking
from service.domain.billing.confirmation import Changed, Round, state_of
from service.domain.billing.dossier import Dossier, alike, served
from service.domain.billing.rule_sets import ITEMS, Choice, Payer, chosen, require_sound
from service.errors import Invalid
from tests.domain.orthosis.orthoses import event

from .cases import DELIVERY, FITTED, PLAN, RECORD_ONLY, SIGNED, STATIC, US, dossier, told


def lacks(given: Dossier, rules=US) -> tuple[str, ...]:
    return lacking(checklist(given, rules))


def test_a_whole_one_lacks_nothing_and_every_item_is_asked_for() -> None:
    assert lacks(dossier()) == ()
    assert {item.item for item in checklist(dossier(), US)} == set(ITEMS)
    assert checklist(dossier(), RECORD_ONLY) == ()


@pytest.mark.parametrize(
    ("change", "lacking_item"),
    [
        ({"patient_name": ""}, "order: name of the patient"),
        ({"statements": (PLAN,)}, "order-signature: a signed order"),
        ({"statements": (replace(SIGNED, signed=False), PLAN)}, "order-signature: a signed order"),
        ({"statements": (SIGNED,)}, "plan-of-care: a plan of care"),
        ({"deliveries": (replace(DELIVERY, receiver=""),)}, "proof-of-delivery: who signed"),
        ({"deliveries": (replace(DELIVERY, signed=False),)}, "proof-of-delivery: signature"),
        ({"deliveries": (replace(DELIVERY, address=""),)}, "proof-of-delivery: address"),
        ({"deliveries": (replace(DELIVERY, description=""),)}, "proof-of-delivery: description"),
        ({"deliveries": (replace(DELIVERY, instructions=False),)}, "instructions: that instructions were given"),
        ({"deliveries": (replace(DELIVERY, supplier=""),)}, "supplier: who supplied it"),
        ({"design": replace(STATIC, material="")}, "description: material"),
        ({"design": replace(STATIC, region="unknown")}, "description: region"),
        ({"design": replace(STATIC, fabrication="unknown")}, "description: how it was fabricated"),
        ({"design": replace(STATIC, mechanism="unknown")}, "description: how it acts (mechanism)"),
        ({"design": replace(STATIC, fabrication="prefabricated-fitted")}, "description: what was modified"),
        ({"design": replace(STATIC, digits=())}, "side-and-digits: digits"),
    ],
)
def test_each_thing_that_can_be_lacking(change: dict, lacking_item: str) -> None:
    """The elements of order and proof of delivery are those the sources at each rule list."""
    assert lacking_item in lacks(dossier(**change))


@pytest.mark.parametrize(
    ("fitting", "what"), [({"by_name": ""}, "who fitted it"), ({"expertise": ""}, "with what expertise")]
)
def test_fitting_names_the_person_and_the_expertise(fitting: dict, what: str) -> None:
    assert f"fitting: {what}" in lacks(dossier(replace(FITTED, **fitting)))


def test_fitting_is_not_asked_of_what_comes_off_the_shelf() -> None:
    given = dossier(event("delivered", 2), design=replace(STATIC, fabrication="off-the-shelf"))
    assert next(each for each in checklist(given, US) if each.item == "fitting").status == "not-asked"


def test_an_order_before_the_delivery_where_the_rules_ask_for_one() -> None:
    late = (replace(SIGNED, on=date(2026, 3, 9)), PLAN)
    assert lacks(dossier(statements=late)) == ()  # before the claim is early enough
    evidence = tuple(replace(each, before="delivery") if each.before else each for each in US.evidence)
    assert lacks(dossier(statements=late), replace(US, evidence=evidence)) == ("order-signature: a signed order",)


def test_medical_need_is_shown_by_any_of_three() -> None:
    bare = dossier()
    episode = replace(bare.told.episode, reason="")
    without = replace(bare, told=replace(bare.told, episode=episode))
    assert any(each.startswith("medical-need") for each in lacks(without))
    assert lacks(replace(without, conditions=("Condition/x",))) == ()


def _earlier(reason: str = "goal-met", **change):
    events = (event("fitted", 1), *([event("ended", 1, reason=reason)] if reason else []))
    return told(*events, name="earlier", design=replace(STATIC, **change))


def test_the_look_back_and_its_exceptions() -> None:
    """Five years, unless lost, stolen, irreparably damaged, or a change in condition: Noridian article of 2020."""
    given = dossier(others=(_earlier(),))
    assert [each.split(":")[0] for each in lacks(given)] == ["same-or-similar"]
    for reason in ("lost", "broken"):
        assert lacks(dossier(others=(_earlier(reason),))) == ()
    changed = replace(SIGNED, item="change-in-condition", signed=False)
    assert lacks(replace(given, statements=(*given.statements, changed))) == ()
    assert lacks(dossier(others=(_earlier(side="left", holds=()),))) == ()
    assert lacks(dossier(others=(_earlier(holds=(), region="elbow"),))) == ()


@pytest.mark.parametrize(("years", "inside"), [(4, True), (5, True), (6, False)])
def test_how_far_back_is_looked(years: int, inside: bool) -> None:
    earlier = _earlier("")
    moved = replace(earlier.episode, decided=date(2026 - years, 3, 1), events=())
    day = datetime(2026 - years, 3, 2, tzinfo=UTC)
    old = replace(earlier, episode=moved, life=replace(earlier.life, events=(replace(FITTED, at=day),)))
    assert bool(lacks(dossier(others=(old,)))) == inside


def test_what_is_alike() -> None:
    assert alike(STATIC, replace(STATIC, region="unknown", digits=()))
    assert alike(STATIC, replace(STATIC, holds=()))
    assert not alike(STATIC, replace(STATIC, holds=(), digits=("index",)))
    assert not alike(replace(STATIC, region="unknown", holds=()), replace(STATIC, region="unknown", holds=()))


def test_the_date_of_service() -> None:
    at = US.date_of_service
    assert served(told(FITTED), at).day == date(2026, 3, 2)
    assert served(told(FITTED, event("delivered", 4)), at).day == date(2026, 3, 4)
    assert served(told(FITTED, event("delivered", 4)), replace(at, at="fitting")).day == date(2026, 3, 2)
    assert served(told(FITTED), replace(at, at="decision")).day == date(2026, 3, 1)
    assert served(told(event("taken-over", 2)), at).day is None
    cancelled = (event("made", 2), event("ended", 8, reason="abandoned-before-fitting"))
    assert served(told(*cancelled), at).day == date(2026, 3, 8)
    assert served(told(*cancelled), replace(at, cancelled_custom=False)).day is None
    assert served(told(event("made", 2)), at).day is None


# Which rules apply


def test_rules_are_chosen_by_payer_and_day() -> None:
    old = replace(US, version="0", valid_from=date(2000, 1, 1), valid_until=date(2019, 12, 31))
    sets = (old, US, RECORD_ONLY)
    payers = (Payer("medicare "),)
    assert chosen(sets, payers, date(2026, 3, 2)).rules == US
    assert chosen(sets, payers, date(2019, 12, 31)).rules == old
    assert chosen(sets, payers, date(1999, 1, 1)).rules == RECORD_ONLY
    assert chosen(sets, (Payer("Other"),), date(2026, 3, 2)) == Choice(
        RECORD_ONLY, "There are no rules here for 'Other' on 2026-03-02."
    )
    assert chosen(sets, (), date(2026, 3, 2)).rules == RECORD_ONLY
    numbered = replace(US, name="own", payers=(Payer("", "urn:x", "7"),))
    assert chosen((*sets, numbered), (Payer("", "urn:x", "7"),), date(2026, 3, 2)).rules == numbered
    assert chosen((*sets, numbered), (Payer("", "urn:y", "7"),), date(2026, 3, 2)).rules == RECORD_ONLY


def test_every_rule_names_where_it_comes_from() -> None:
    for rules in (US, RECORD_ONLY):
        assert rules.source
        assert rules.date_of_service.source
        assert rules.lines.source
        assert all(asked.source for asked in rules.evidence)


@pytest.mark.parametrize(
    "broken",
    [
        replace(US, evidence=(replace(US.evidence[0], item="hearsay"),)),
        replace(US, evidence=(replace(US.evidence[0], before="breakfast"),)),
        replace(US, evidence=(replace(US.evidence[0], only_for=("knitted",)),)),
        replace(US, date_of_service=replace(US.date_of_service, at="whim")),
        replace(US, lines=replace(US.lines, bilateral="neither")),
        replace(US, valid_until=date(1999, 1, 1)),
        replace(US, look_back=replace(US.look_back, years=0)),
        replace(US, look_back=replace(US.look_back, unless=("bored",))),
    ],
)
def test_rules_that_cannot_be(broken) -> None:
    with pytest.raises(Invalid):
        require_sound(broken)


# States


def _round(status: str, **more) -> Round:
    return Round("r", status, "B.", datetime(2026, 3, 9, tzinfo=UTC), "one", ("s", "v"), "Patient/1", **more)


@pytest.mark.parametrize(
    ("last", "changed", "lacking_items", "state"),
    [
        (None, (), (), "ready"),
        (None, (), ("x",), "lacking"),
        (_round("confirmed"), (), ("x",), "confirmed"),
        (_round("confirmed"), (Changed("x", 1, 2, "note"),), (), "needs-review"),
        (_round("returned", question="?"), (), (), "returned"),
        (_round("returned", question="?", answer="!"), (), (), "ready"),
        (_round("returned", question="?", answer="!"), (), ("x",), "lacking"),
        (_round("void"), (), ("x",), "void"),
    ],
)
def test_states(last: Round | None, changed: tuple, lacking_items: tuple, state: str) -> None:
    assert state_of(last, changed, lacking_items) == state
