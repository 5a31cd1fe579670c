"""No text speaks of removal where it is forbidden or impossible: over every text, design, state and precaution."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from service.domain.orthosis.design import REMOVABLE
from service.domain.orthosis.episode import ACTS, STATES, Check
from service.domain.orthosis.history import life_of
from service.domain.orthosis.safety import (
    CAN_COME_OFF,
    GRADES,
    NOT_MONITORED,
    STAYS_ON,
    TEXTS,
    ClinicTexts,
    Precautions,
    asks_for_removal,
    may_come_off,
    require_safe,
    texts_for,
)
from service.errors import Invalid
from tests.domain.orthosis.orthoses import CAST, episode, event, worn

FITTED = event("fitted", 2)
IN_STATE = {
    "planned": (),
    "ready": (FITTED,),
    "worn": (FITTED, worn(2)),
    "on-hold": (FITTED, worn(2), event("held", 3)),
    "ended": (FITTED, worn(2), event("ended", 3, reason="lost")),
    "entered-in-error": (FITTED, worn(2), event("entered-in-error", 3, note="wrong hand")),
}
CLINICS = [
    ClinicTexts(),
    ClinicTexts(
        "0123", {"urgent": {STAYS_ON: "Go to the emergency department with the cast on.", CAN_COME_OFF: "Off."}}
    ),
]
REMOVAL_WORDS = ("remov", "take it off", "taken off", "loosen", "open the", "undo", "cut ", "doff", "leave it off")
"""What a reader would understand as removal: a list of its own, not the expression the service uses."""


def test_every_state_is_tried() -> None:
    assert IN_STATE.keys() == STATES.keys()


@pytest.mark.parametrize(
    ("state", "removable", "forbidden", "numb", "clinic"),
    list(product(IN_STATE, REMOVABLE, (False, True), (False, True), CLINICS)),
)
def test_no_text_speaks_of_removal_where_it_must_not(
    state: str, removable: str, forbidden: bool, numb: bool, clinic: ClinicTexts
) -> None:
    life = life_of(episode(*IN_STATE[state], design=replace(CAST, removable=removable)))
    assert life.state == state
    precautions = Precautions(removal_forbidden=forbidden, no_protective_sensation=numb)
    texts = texts_for(life.design, precautions, clinic)
    assert texts.keys() == GRADES.keys()
    for text in texts.values():
        assert NOT_MONITORED in text
        assert ("pain is no warning" in text) == numb
        if removable != "yes" or forbidden:
            assert not any(word in text.lower() for word in REMOVAL_WORDS), text
            assert not asks_for_removal(text)


def test_where_it_may_come_off_the_texts_say_so() -> None:
    loose = replace(CAST, removable="yes")
    texts = texts_for(loose, Precautions(), ClinicTexts("0123 456"))
    assert may_come_off(loose, Precautions())
    assert "take the orthosis off" in texts["urgent"]
    assert all("0123 456" in text for text in texts.values())


def test_a_cast_cut_in_halves_may_come_off_unless_a_precaution_forbids_it() -> None:
    halves = life_of(episode(FITTED, worn(2), event("cut-in-halves", 4))).design
    assert may_come_off(halves, Precautions())
    assert not may_come_off(halves, Precautions(removal_forbidden=True))


@pytest.mark.parametrize(
    "text",
    [
        "Remove the splint and call.",
        "Take it off.",
        "You may loosen the straps.",
        "Open the cast.",
        "Cut the cast along its side.",
        "Slip it off at night.",
        "Do not remove it.",
        "Keep the orthosis off until tomorrow.",
    ],
)
def test_a_clinics_own_text_for_what_stays_on_cannot_speak_of_removal(text: str) -> None:
    with pytest.raises(Invalid) as refused:
        require_safe(ClinicTexts("", {"urgent": {STAYS_ON: text}}))
    assert refused.value.issues[0].rule == "no-removal"
    require_safe(ClinicTexts("", {"urgent": {CAN_COME_OFF: text}}))


def test_texts_of_no_known_grade_or_case_are_refused() -> None:
    with pytest.raises(Invalid) as refused:
        require_safe(ClinicTexts("", {"itching": {STAYS_ON: "Call us."}, "urgent": {"sometimes": "Call us."}}))
    assert {issue.rule for issue in refused.value.issues} == {"known-grade", "known-case"}


def test_the_defaults_hold_to_what_clinics_are_held_to() -> None:
    require_safe(ClinicTexts("", TEXTS))
    assert all(grade in TEXTS and set(TEXTS[grade]) == {CAN_COME_OFF, STAYS_ON} for grade in GRADES)


def test_a_check_is_the_only_event_that_raises_a_flag() -> None:
    flagged = episode(FITTED, event("checked", 3, check=Check({}, red_flag=True)))
    assert len(life_of(flagged).unanswered) == 1
    assert "checked" in ACTS
