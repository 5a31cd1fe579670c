"""What holds for a visit with readings whichever door a change comes through: whose it is, its day and its keys.

Its readings name the patient and the day as well, so that an edit of the Encounter alone would part them; an act
changes all of them together.
"""

from __future__ import annotations

from service.errors import Conflict, Issue
from service.fhir.text import Json
from service.storage.records import Reader
from service.storage.stored import Stored
from service.usecases.signing import entries_of

_MESSAGE = "This visit has readings, which say the same of it; {what}."


def refuse_gutting(reader: Reader, before: Stored | None, after: Stored) -> None:
    """Raises `Conflict` where an Encounter that readings name lost its patient, its day or a key.

    `after` is what was stored over `before`. Keys and what was not said before may be added, for the patient of the
    readings.
    """
    if before is None or before.deleted or after.type != "Encounter":
        return
    issues = _parted(before, after)
    added = bool(after.patient) and not before.patient
    if not issues and not added:
        return
    entries = entries_of(reader, before)
    first = next(entries, None)
    if first is None:
        return
    if added and first.patient != after.patient:
        issues.append(_moved(f"Patient/{after.patient}", f"Patient/{first.patient}"))
    if issues:
        raise Conflict(*issues)


def refuse_loss(reader: Reader, before: Stored | None) -> None:
    """Raises `Conflict` for the deletion of an Encounter that readings name."""
    if before is None or before.deleted or before.type != "Encounter":
        return
    if next(entries_of(reader, before), None) is not None:
        message = _MESSAGE.format(what="it is not deleted while they count")
        expected = "the readings entered in error first, or the act 'move' for a visit of another patient"
        raise Conflict(Issue("conflict", message, "Encounter", before.reference, "visit-with-readings", expected))


def _parted(before: Stored, after: Stored) -> list[Issue]:
    issues = []
    if before.patient and after.patient != before.patient:
        issues.append(_moved(f"Patient/{after.patient}" if after.patient else "", f"Patient/{before.patient}"))
    day, now = _day(before.resource), _day(after.resource)
    if day and now != day:
        message = _MESSAGE.format(what="the act 'correct-date' puts all of it to another day")
        issues.append(_issue(message, "period.start", now, f"{day}, or POST /acts with the act 'correct-date'"))
    lost = [key for key in _keys(before.resource) if key not in _keys(after.resource)]
    if lost:
        message = _MESSAGE.format(what="its keys stay, so that it is found again; others may be added")
        expected = "identifier " + ", ".join(map("|".join, lost)) + " as it stands; the act 'move' takes it along"
        issues.append(_issue(message, "identifier", "", expected))
    return issues


def _moved(found: str, patient: str) -> Issue:
    message = _MESSAGE.format(what="the act 'move' puts all of it to another patient")
    return _issue(message, "subject", found, f"{patient}, or POST /acts with the act 'move'")


def _issue(message: str, element: str, found: str, expected: str) -> Issue:
    return Issue("business-rule", message, f"Encounter.{element}", found, "visit-with-readings", expected)


def _day(encounter: Json) -> str:
    """The day on which it began, as it is written."""
    return str((encounter.get("period") or {}).get("start", ""))[:10]


def _keys(encounter: Json) -> list[tuple[str, str]]:
    return [
        (str(each.get("system", "")), str(each.get("value", "")))
        for each in encounter.get("identifier") or []
        if each.get("value")
    ]
