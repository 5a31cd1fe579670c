"""What is asked about before a reading is accepted: every rule by the permanent name under which it is kept.

A reading that a person confirmed carries the rule and the reason for ever, so a name is never changed nor used again.
"""

from __future__ import annotations

from service.domain.measurement import Finding
from service.domain.terms import Term, terms
from service.errors import Issue

SOFT_BOUND = Term(
    "soft-bound",
    "Unusually large",
    "The amount lies beyond the bound within which nearly all readings of its kind at its site lie.",
)
ZERO_GRIP = Term(
    "zero-grip", "A force of exactly 0", "A force of exactly 0 may be a missing value that was written as a number."
)
ACTIVE_ABOVE_PASSIVE = Term(
    "active-above-passive",
    "Active above passive",
    "Active motion exceeds passive motion of the same end, at the same visit, by more than error of measurement.",
)
UNIT_RATIO = Term(
    "unit-ratio",
    "In the ratio of two units to the last value",
    "The value stands to the last comparable one as two units stand to each other, or as a slipped decimal would.",
)
PRECAUTION_IN_FORCE = Term(
    "precaution-in-force",
    "A precaution is in force",
    "A precaution that was in force for the part on that day names this kind of reading.",
)
CAUTIONS: dict[str, Term] = terms(SOFT_BOUND, ZERO_GRIP, ACTIVE_ABOVE_PASSIVE, UNIT_RATIO, PRECAUTION_IN_FORCE)
"""Every rule that asks, by its name."""


def question(rule: Term, message: str, where: str, value: str, expected: str) -> Finding:
    """The question that a rule asks about `where`; `expected` is what would usually be there, or what answers it."""
    return Finding("ask", Issue("business-rule", message, where, value, rule.code, expected))
