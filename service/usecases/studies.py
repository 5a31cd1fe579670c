"""Studies: an administrator opens one for named researchers; everything that leaves, leaves for one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import UTC, date, datetime
from typing import Any
from uuid import uuid4

from service.domain.actor import Actor
from service.domain.study import Study, require_member, require_open
from service.errors import Invalid, Issue
from service.fhir.quasi_identifiers import QUASI
from service.storage.records import Reader, Writer
from service.usecases.doors import enter_duty
from service.usecases.permissions import DUTIES

OPENING = "study"
"""The duty of opening and closing studies."""
RESEARCH = "research"
"""The duty of using one."""


def open_study(writer: Writer, actor: Actor, wanted: Study) -> Study:
    """Open a study; its id and when and by whom it was opened are filled in here. Raises `Invalid`."""
    with enter_duty(actor, OPENING) as passage:
        _require_sound(wanted)
        ident = str(uuid4())
        at = writer.note(OPENING, ("", ""), f"study={ident}")
        made = replace(wanted, id=ident, opened_by=actor.id, opened_at=at)
        writer.research.keep_study(ident, written(made))
        passage.written = True
        return made


def close_study(writer: Writer, actor: Actor, ident: str) -> Study:
    """Close a study: nothing more leaves for it. Raises `NotFound`, or `Conflict` for one that was closed."""
    with enter_duty(actor, OPENING) as passage:
        found = read(writer.research.study(ident))
        require_open(found, date.min)
        closed = replace(found, closed_at=writer.note(OPENING, ("", ""), f"study={ident}&closed"))
        writer.research.keep_study(ident, written(closed))
        passage.written = True
        return closed


def studies(reader: Reader, actor: Actor) -> list[Study]:
    """The studies that this person may use, or may open and close."""
    with enter_duty(actor, RESEARCH):
        every = [read(document) for document in reader.research.studies()]
        return [one for one in every if is_officer(actor) or actor.id in one.researchers]


def study_of(reader: Reader, actor: Actor, ident: str, *, to_use: bool = False) -> Study:
    """One study; `to_use`: one from which something is about to leave, or to be counted.

    Raises `NotFound`, `Forbidden` for whoever is not named in it, and `Conflict` for one that is over.
    """
    found = read(reader.research.study(ident))
    require_member(found, actor.id, officer=is_officer(actor))
    if to_use:
        require_open(found, datetime.now(UTC).date())
    return found


def is_officer(actor: Actor) -> bool:
    """Whether this person opens studies, and may answer for small classes."""
    return actor.role in DUTIES[OPENING]


def written(study: Study) -> dict[str, Any]:
    """A study as it is kept."""
    moments = {name: value.isoformat() for name in _MOMENTS if (value := getattr(study, name))}
    return {**asdict(study), **dict.fromkeys(_MOMENTS), **moments}


def read(document: Mapping[str, Any]) -> Study:
    """A study from what is kept of it."""
    lists = {name: tuple(document[name]) for name in ("researchers", "quasi")}
    closed = document["closed_at"]
    return Study(
        **{
            **document,
            **lists,
            "expires": date.fromisoformat(document["expires"]),
            "opened_at": datetime.fromisoformat(document["opened_at"]),
            "closed_at": datetime.fromisoformat(closed) if closed else None,
        }
    )


_MOMENTS = ("expires", "opened_at", "closed_at")


def _require_sound(study: Study) -> None:
    issues = []
    if study.profile == "L" and not study.agreement:
        message = "A limited data set needs a data use agreement on record (45 CFR 164.514(e))."
        issues.append(Issue("required", message, "agreement", expected="what names the agreement, and its date"))
    for number, name in enumerate(study.quasi):
        if name not in QUASI:
            expected = "one of " + ", ".join(QUASI)
            issues.append(Issue("value", "This is no quasi-identifier.", f"quasi[{number}]", name, "", expected))
    if study.k < 2:
        issues.append(Issue("value", "A class of one person is that person.", "k", str(study.k), "", "2 or more"))
    if study.expires < datetime.now(UTC).date():
        issues.append(Issue("value", "The permission has expired.", "expires", study.expires.isoformat()))
    if issues:
        raise Invalid(*issues)
