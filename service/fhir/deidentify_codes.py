"""Which codes may leave the record: those of open standards and of this project, judged by what they are made of.

A code that a clinic made up may say anything, also a name; a display is typed by people. Neither leaves.
"""

from __future__ import annotations

import re
from functools import cache

from service.domain.units import UNITS
from service.fhir import definitions
from service.fhir.canonical import UCUM
from service.fhir.terminology import systems

_LOINC = re.compile(r"\d{1,7}-\d")
_SNOMED = re.compile(r"[1-9]\d{5,17}")
_ICD_10 = re.compile(r"[A-Z]\d[0-9A-Z](\.[0-9A-Z]{1,4})?")

_SHAPES = {
    "http://hl7.org/fhir/sid/icd-10": _ICD_10,
    "http://hl7.org/fhir/sid/icd-10-cm": _ICD_10,
}
_LISTED: dict[str, frozenset[str]] = {
    "http://terminology.hl7.org/CodeSystem/observation-category": frozenset(
        {"social-history", "vital-signs", "imaging", "laboratory", "procedure", "survey", "exam", "therapy", "activity"}
    ),
    "http://terminology.hl7.org/CodeSystem/v3-ActCode": frozenset({"AMB", "HH", "VR", "IMP", "ACUTE", "SS", "OBSENC"}),
    "http://terminology.hl7.org/CodeSystem/condition-category": frozenset({"problem-list-item", "encounter-diagnosis"}),
    "http://terminology.hl7.org/CodeSystem/data-absent-reason": frozenset(
        {"unknown", "asked-unknown", "asked-declined", "not-applicable", "masked", "not-performed", "error"}
    ),
    "http://terminology.hl7.org/CodeSystem/goal-achievement": frozenset(
        {"in-progress", "improving", "worsening", "no-change", "achieved", "sustaining", "not-achieved", "no-progress"}
    ),
}
"""Codes of R4 whose sets are bound less than strictly, so that the digest does not list them."""


def may_leave(system: str, code: str) -> bool:
    """Whether a coding is one of an open standard or of this project, and so says nothing of a person's own."""
    if system == UCUM:
        return code in UNITS
    if system == "http://loinc.org":
        return bool(_LOINC.fullmatch(code)) and _luhn(code.replace("-", ""))
    if system == "http://snomed.info/sct":
        return bool(_SNOMED.fullmatch(code)) and _verhoeff(code)
    if system in _SHAPES:
        return bool(_SHAPES[system].fullmatch(code))
    return code in _known().get(system, ())


@cache
def own_codes() -> frozenset[str]:
    """Every code of this project's own systems."""
    return frozenset(term.code for system in systems().values() for term in system.terms)


@cache
def _known() -> dict[str, frozenset[str]]:
    found = {**_LISTED}
    for name in definitions.bound_value_sets():
        for system, codes in (definitions.codes(name) or {}).items():
            found[system] = found.get(system, frozenset()) | codes
    for url, own in systems().items():
        found[url] = frozenset(term.code for term in own.terms)
    return found


def _luhn(digits: str) -> bool:
    """Whether the last digit is the check digit of LOINC (mod 10, ISO/IEC 7812-1 annex B)."""
    doubled = [int(d) * (2 if place % 2 else 1) for place, d in enumerate(reversed(digits))]
    return sum(n - 9 if n > 9 else n for n in doubled) % 10 == 0


_TURN = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def _verhoeff(digits: str) -> bool:
    """Whether the last digit is the check digit of SNOMED CT (Verhoeff, the dihedral group of order ten)."""
    check = 0
    for place, digit in enumerate(reversed(digits)):
        turned = int(digit)
        for _ in range(place % 8):
            turned = _TURN[turned]
        check = _dihedral(check, turned)
    return check == 0


def _dihedral(a: int, b: int) -> int:
    if a < 5:
        return (a + b) % 5 if b < 5 else 5 + (a + b) % 5
    return 5 + (a - b) % 5 if b < 5 else (a - b) % 5
