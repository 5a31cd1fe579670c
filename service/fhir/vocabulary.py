"""The word lists that are code systems beside those of the readings: of courses, parts of the hand and orthoses."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from service.domain.anatomy import LEVELS, SIDES, STATES
from service.domain.course import REFERRAL_ITEMS, ZONES
from service.domain.field import MODE
from service.domain.instrument import TYPES
from service.domain.kinds import KINDS
from service.domain.orthosis.design import FABRICATION, FORMS, MECHANISMS, MOTIONS, PURPOSES, REGIONS, REMOVABLE
from service.domain.orthosis.episode import ACTS, END_REASONS, FINDINGS
from service.domain.orthosis.regimens import WEARING
from service.domain.picture import PURPOSES as PICTURE_PURPOSES
from service.domain.picture import VIEWS
from service.domain.precautions import MOTIONS as PRECAUTION_MOTIONS
from service.domain.terms import Term
from service.fhir import billing_names as billing
from service.fhir import record_words as words
from service.fhir.canonical import code_system
from service.fhir.course import LEVEL_SYSTEM, SIDE_SYSTEM, STATE_SYSTEM
from service.fhir.instrument import TYPE_SYSTEM
from service.fhir.media import VIEW_SYSTEM
from service.fhir.orthosis import names
from service.fhir.orthosis.device import PROPERTIES
from service.fhir.orthosis.wear import TERMS, WEAR_SYSTEM


class WordList(NamedTuple):
    """A code system: its address, what it is called and what it is for, and its codes with their words."""

    url: str
    title: str
    description: str
    words: Mapping[str, str]


def _in_words(codes: tuple[str, ...]) -> dict[str, str]:
    return {code: code.replace("-", " ") for code in codes}


def _shown(terms: Mapping[str, Term]) -> dict[str, str]:
    return {code: term.display for code, term in terms.items()}


_KINDS = {kind.name: kind.title for kind in KINDS.values()}

WORD_LISTS: tuple[WordList, ...] = (
    WordList(SIDE_SYSTEM, "Side", "The left or the right hand of a person.", _in_words(SIDES)),
    WordList(STATE_SYSTEM, "State of a part", "What a part of the hand is like from a day on.", STATES),
    WordList(LEVEL_SYSTEM, "Level of a loss", "The bone or joint through which a digit was lost.", _in_words(LEVELS)),
    WordList(
        names.PROPERTY_SYSTEM,
        "Property of an orthosis",
        "What is recorded about a made orthosis: where it is worn, what it holds, and how it acts.",
        PROPERTIES,
    ),
    WordList(names.FORM_SYSTEM, "Form of an orthosis", "Which form of device it is.", FORMS),
    WordList(names.REGION_SYSTEM, "Region of an orthosis", "Which region the orthosis spans.", REGIONS),
    WordList(names.PURPOSE_SYSTEM, "Purpose of an orthosis", "What the orthosis is meant for.", PURPOSES),
    WordList(names.MECHANISM_SYSTEM, "Mechanism of an orthosis", "How the orthosis acts on the hand.", MECHANISMS),
    WordList(names.FABRICATION_SYSTEM, "Fabrication", "How the orthosis was made or fitted.", FABRICATION),
    WordList(names.REMOVABLE_SYSTEM, "Who can remove it", "Who can take the orthosis off.", REMOVABLE),
    WordList(names.DIRECTION_SYSTEM, "Direction of a joint", "A motion that is held, blocked or sought.", MOTIONS),
    WordList(names.WEARING_SYSTEM, "Wearing", "When the orthosis is to be worn.", WEARING),
    WordList(
        names.EVENT_SYSTEM,
        "Event of an orthosis",
        "What can happen in the life of an orthosis, from its order to its end.",
        {kind: act.title for kind, act in ACTS.items()},
    ),
    WordList(names.FINDING_SYSTEM, "Item of a check", "What a check of skin and circulation looks at.", FINDINGS),
    WordList(WEAR_SYSTEM, "Hours worn", "By what hours worn are known.", TERMS),
    WordList(VIEW_SYSTEM, "View of a picture", "From where a picture of a hand was taken.", VIEWS),
    WordList(
        code_system("consent-purpose"),
        "Purpose of a consent",
        "For what a patient consented that a picture is used; what is not named was not consented to.",
        PICTURE_PURPOSES,
    ),
    WordList(TYPE_SYSTEM, "Type of instrument", "What kind of instrument it is.", _shown(TYPES)),
    WordList(code_system("zone-of-injury"), "Zone of injury", "Where a tendon was injured.", _shown(ZONES)),
    WordList(
        code_system("referral-item"),
        "Item of a referral",
        "What a referral after an injury of the hand should tell.",
        REFERRAL_ITEMS,
    ),
    WordList(code_system("measurement-kind"), "Kind of measurement", "What a reading is a reading of.", _KINDS),
    WordList(
        code_system("direction-of-motion"),
        "Direction of motion",
        "A direction in which a joint moves.",
        _in_words(PRECAUTION_MOTIONS),
    ),
    WordList(
        code_system("mode-of-motion"),
        "Mode of motion",
        "Who moved the joint: the patient, the examiner, or both.",
        _shown(MODE.choices),
    ),
    WordList(
        code_system("wanted-change"),
        "Wanted change",
        "Whether more or less of a measure is wanted.",
        {"more": "more is wanted", "less": "less is wanted"},
    ),
    WordList(code_system("role"), "Role", "In which role somebody acts in the record.", words.ROLES),
    WordList(code_system("audit-act"), "Act", "What somebody did, beside the interactions of FHIR.", words.ACTS),
    WordList(
        code_system("origin"), "Origin of an entry", "Where an entry came from, as it still stands.", words.ORIGIN
    ),
    WordList(code_system("signature"), "Signature", "Whether another person must sign an entry.", words.SIGNATURE),
    WordList(code_system("review"), "Review", "Why somebody should look at a document again.", words.REVIEW),
    WordList(
        code_system("precaution"),
        "Precaution",
        "Precautions that the record itself takes account of; all others are the clinic's own words.",
        words.PRECAUTIONS,
    ),
    WordList(
        billing.STATEMENT_SYSTEM,
        "Statement for billing",
        "What a named person may state of an orthosis, with the document it stands in.",
        billing.STATED,
    ),
    WordList(billing.DECISION_SYSTEM, "Decision for billing", "What a biller decided.", billing.DECISIONS),
    WordList(
        billing.PART_SYSTEM, "Part of a decision", "What a decision rests on, and what came of it.", billing.PARTS
    ),
    WordList(names.END_SYSTEM, "Reason for the end", "Why the wearing of an orthosis ended.", END_REASONS),
)
