"""What a wearer is told, by grade; by whether the orthosis can and may come off; and by whether the hand can feel.

The texts inform and name whom to call. None of them speaks of taking an orthosis off where that is impossible or
forbidden: after a repair it can rupture what was repaired.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from service.domain.orthosis.design import Design
from service.errors import Invalid, Issue

GRADES: dict[str, str] = {
    "rubbing": "Rubbing, or a red mark that goes",
    "red-flag": "A red mark that stays, broken skin, or more swelling",
    "urgent": "New numbness, a change of colour, coldness, or pain out of proportion",
}
CAN_COME_OFF, STAYS_ON = "can-come-off", "stays-on"
TEXTS: dict[str, dict[str, str]] = {
    "rubbing": {
        CAN_COME_OFF: "The orthosis may rub. A red mark that is gone 20 minutes after it was taken off is usual. "
        "If it rubs again, call {telephone}.",
        STAYS_ON: "The orthosis may rub. It stays on as it is. If it rubs, call {telephone}.",
    },
    "red-flag": {
        CAN_COME_OFF: "If a red mark is still there 20 minutes after the orthosis was taken off, or the skin is "
        "broken, leave it off and call {telephone} on the same day.",
        STAYS_ON: "If it presses in one place, the skin that can be seen is broken, or the swelling grows, call "
        "{telephone} on the same day. Until then it stays on as it is.",
    },
    "urgent": {
        CAN_COME_OFF: "If there is new numbness, the fingers turn pale, blue or cold, or the pain is far more than "
        "before: take the orthosis off, and get urgent care now. Call {telephone} on the way.",
        STAYS_ON: "If there is new numbness, the fingers turn pale, blue or cold, or the pain is far more than "
        "before: get urgent care now, with the orthosis on. Call {telephone} on the way.",
    },
}
"""Our own defaults, for the clinic to edit. Patient leaflets differ on how long a red mark may stay: one says 20
minutes (childrenswi.org 1322), another an hour; the shorter time stands here."""
NO_FEELING = {
    CAN_COME_OFF: "Feeling is lost here, so pain is no warning: what warns is the look of the skin, its colour and "
    "its warmth.",
    STAYS_ON: "Feeling is lost here, so pain is no warning: what warns is the colour and the warmth of the fingers, "
    "swelling, a smell, or a damp patch.",
}
NOT_MONITORED = "Nobody watches this record between visits: a message in it reaches no one."
DECIDES = "Your clinician's own instructions come first."
_COMES_OFF = re.compile(
    r"\b(?:remov\w*|doff\w*|loosen\w*|undo\w*|unstrap\w*|unfasten\w*|open\w*|cut\w*|slip\w*\W+\w*\W*off"
    r"|(?:take|takes|taken|taking|took|leave|left|keep|come|comes|pull|slide|get)\b[^.!?]{0,40}?\boff)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Precautions:
    """The precautions in force that texts depend on, and the words in which they were recorded."""

    removal_forbidden: bool = False
    no_protective_sensation: bool = False
    stated: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ClinicTexts:
    """What a clinic has set: its telephone line, and its own texts by grade and by whether it can come off."""

    telephone: str = ""
    texts: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def asks_for_removal(text: str) -> bool:
    """Whether a text speaks of taking the orthosis off, or of opening it, in any way."""
    return _COMES_OFF.search(text) is not None


def require_safe(clinic: ClinicTexts) -> None:
    """Raises `Invalid` for a text of no known grade, or one that speaks of removal where it must not."""
    issues = []
    for grade, by_removal in clinic.texts.items():
        if grade not in GRADES:
            expected = "one of " + ", ".join(GRADES)
            issues.append(Issue("value", "There is no such grade.", f"texts.{grade}", grade, "known-grade", expected))
        for which, text in by_removal.items():
            place = f"texts.{grade}.{which}"
            if which not in (CAN_COME_OFF, STAYS_ON):
                expected = f"{CAN_COME_OFF} or {STAYS_ON}"
                issues.append(Issue("value", "A text is for one of two cases.", place, which, "known-case", expected))
            elif which == STAYS_ON and asks_for_removal(text):
                message = "A text for an orthosis that stays on speaks of taking it off or opening it."
                issues.append(Issue("business-rule", message, place, text, "no-removal"))
    if issues:
        raise Invalid(*issues)


def may_come_off(design: Design, precautions: Precautions) -> bool:
    """Only where it is known that the wearer can take it off, and nothing in force forbids it."""
    return design.comes_off and not precautions.removal_forbidden


def texts_for(design: Design, precautions: Precautions, clinic: ClinicTexts) -> dict[str, str]:
    """The text of each grade for a wearer of this orthosis, as it is now."""
    which = CAN_COME_OFF if may_come_off(design, precautions) else STAYS_ON
    telephone = clinic.telephone or "the clinic (no telephone number has been set)"
    found = {}
    for grade in GRADES:
        text = clinic.texts.get(grade, {}).get(which) or TEXTS[grade][which]
        found[grade] = " ".join(_with(text.replace("{telephone}", telephone), which, precautions))
    return found


def _with(text: str, which: str, precautions: Precautions) -> Iterable[str]:
    yield text
    if precautions.no_protective_sensation:
        yield NO_FEELING[which]
    yield NOT_MONITORED
    yield DECIDES
