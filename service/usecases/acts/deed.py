"""Carrying an act out: all of it or nothing, first as a dry run, and only on what the dry run saw."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from service.domain.actor import Actor
from service.errors import Conflict, Gone, Invalid, Issue
from service.fhir import text
from service.fhir.acts import to_act
from service.fhir.canonical import code_system
from service.fhir.derived import is_derived
from service.fhir.record_words import REVIEW
from service.fhir.text import Json
from service.storage.departures import Departure
from service.storage.records import Reader, Records, Writer
from service.storage.stored import Stored
from service.storage.versions import same, without_stamp
from service.usecases.acts.mark import mark_of
from service.usecases.acts.resting import Resting, left_with, resting_on
from service.usecases.doors import Door, enter_operation
from service.usecases.origin import without_mark
from service.usecases.rederiving import follow
from service.usecases.resources import require_lawful
from service.usecases.signing import marked

MARKED = ("Goal", "CarePlan", "DiagnosticReport", "DocumentReference", "Composition", "QuestionnaireResponse")
"""The types that somebody should look at again when what they rest on was wrong."""
_TAG = {
    "system": code_system("review"),
    "code": "rests-on-corrected",
    "display": REVIEW["rests-on-corrected"],
}


@dataclass(frozen=True, slots=True)
class Terms:
    """How an act is wanted: why; `seen` is the mark that a dry run gave, and without it this is one.

    `confirmed` is the reason for accepting what the record asks about; `asked` is all that was asked for, as JSON.
    """

    reason: str
    seen: str = ""
    confirmed: str = ""
    asked: str = ""

    @property
    def dry_run(self) -> bool:
        """Whether the act is only looked at."""
        return not self.seen


@dataclass(frozen=True, slots=True)
class Change:
    """A resource that an act changes: its version before (0: there was none) and after, and each element that differs.

    An element that is not there is None.
    """

    reference: str
    before: int
    after: int
    deleted: bool
    elements: dict[str, tuple[Any, Any]]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an act came to, or would come to. `id` is that of its Provenance; empty for a dry run.

    `resting` is all that rests on what was changed, with what became of it: `changed` with the act, `marked` for
    somebody to look at, or `listed`. `left` is with what any of it has left the record, to be issued anew where it
    matters. `summary` says in sentences what is easily missed among the changes.
    """

    id: str
    act: str
    reason: str
    seen: str
    changes: tuple[Change, ...]
    resting: tuple[tuple[Resting, str], ...]
    left: tuple[Departure, ...]
    dry_run: bool
    summary: tuple[str, ...] = ()


@dataclass
class Deed:
    """One act in progress. `replaced` holds what took the place of what, by reference; `wanted` the visits (by patient)
    whose results are stored although nothing was derived there before."""

    writer: Writer
    actor: Actor
    terms: Terms
    door: Door
    now: datetime
    resting: list[Resting] = field(default_factory=list)
    left: list[Departure] = field(default_factory=list)
    replaced: dict[str, str] = field(default_factory=dict)
    wanted: dict[str, set[str]] = field(default_factory=dict)
    summary: list[str] = field(default_factory=list)

    def about(self, *patients: str) -> None:
        """The patients (ids) whose record the act changes. Raises `Forbidden`."""
        for patient in patients:
            if patient:
                self.door.about(patient)

    def look(self, patients: Collection[str], roots: Collection[str]) -> None:
        """List what rests on these references, before anything is changed."""
        self.resting = resting_on(self.writer, patients, roots)
        self.left = left_with(self.writer, roots, self.resting)

    def put(self, resource: Json) -> Stored:
        """Store what an act makes of a resource, checked as everything is. Raises `Invalid`."""
        # As it will be read again, so that the same number is known to be the same.
        made = text.parse(text.dump(without_mark(resource)))
        require_lawful(made)
        return self.writer.update(marked(made, self.actor))

    def withdraw(self, stored: Stored) -> None:
        """Mark what was wrong as entered in error; its content stays as it was."""
        self.put({**stored.resource, "status": "entered-in-error"})


def carry_out(
    records: Records, actor: Actor, operation: str, terms: Terms, do: Callable[[Deed], None], *, undone: str = ""
) -> Outcome:
    """Carry an act out, or say what it would come to; `operation` is what it is for the permission matrix.

    Raises `Invalid` without a reason, `Conflict` where the mark is not that of what stands now, and whatever forbids
    the act; then nothing is changed.
    """
    if not terms.reason.strip():
        raise Invalid(Issue("required", "An act is carried out for a reason, which needs to be said.", "reason"))
    try:
        with records.write(actor) as writer, enter_operation(actor, operation) as door:
            outcome = _done(Deed(writer, actor, terms, door, datetime.now(UTC)), do, operation, undone)
            if terms.dry_run:
                door.passage.act = "plan"
                raise _Undone(outcome)
            if undone:
                door.passage.act = "undo"
            _require_seen(terms.seen, outcome.seen)
    except _Undone as rolled_back:
        return rolled_back.outcome
    return outcome


class _Undone(Exception):
    """Leaves the transaction of a dry run."""

    def __init__(self, outcome: Outcome) -> None:
        super().__init__()
        self.outcome = outcome


def _require_seen(given: str, present: str) -> None:
    if given != present:
        message = "What the act would change is no longer what was seen, or the mark is that of another act."
        expected = "the mark 'seen' of a dry run of this very act, made of what stands now"
        raise Conflict(Issue("conflict", message, "seen", given, "dry-run-first", expected))


def _done(deed: Deed, do: Callable[[Deed], None], operation: str, undone: str) -> Outcome:
    writer = deed.writer
    do(deed)
    _follow(deed)
    marks = {reference: _mark(deed, reference) for reference in _to_mark(deed)}
    versions = writer.changed
    if not versions:
        raise Conflict(Issue("business-rule", "The act would change nothing.", rule="act-without-effect"))
    seen = mark_of(writer, deed.terms.asked, versions, deed.resting, deed.now)
    changes = tuple(_change(writer, key, *between) for key, between in versions.items())
    act = "undo" if undone else operation
    ident = ""
    if not deed.terms.dry_run:
        ident = writer.create(to_act(act, versions, deed.terms.reason, deed.now, deed.actor, undone)).id
    resting = tuple((each, _became(each, marks, versions)) for each in deed.resting)
    left, summary = tuple(deed.left), tuple(deed.summary)
    return Outcome(ident, act, deed.terms.reason, seen, changes, resting, left, deed.terms.dry_run, summary)


def _follow(deed: Deed) -> None:
    """What was derived from what was changed follows it."""
    keys = [key for key in deed.writer.changed if key[0] == "Observation"]
    stored = [found for key in keys if (found := deed.writer.find(*key)) is not None]
    readings = [each for each in stored if each.deleted or not is_derived(each.resource)]
    follow(deed.writer, readings, deed.wanted)


def _to_mark(deed: Deed) -> Iterable[str]:
    named = (each for each in deed.resting if each.how != "measured goal" and each.stored.type in MARKED)
    changed = deed.writer.changed
    return [each.stored.reference for each in named if (each.stored.type, each.stored.id) not in changed]


def _mark(deed: Deed, reference: str) -> Stored:
    kind, _, ident = reference.partition("/")
    resource = deed.writer.get(kind, ident).resource
    meta = resource.get("meta") or {}
    others = [tag for tag in meta.get("tag") or [] if (tag.get("system"), tag.get("code")) != _KEY]
    return deed.writer.update({**resource, "meta": {**meta, "tag": [*others, dict(_TAG)]}})


_KEY = (_TAG["system"], _TAG["code"])


def _became(each: Resting, marks: Collection[str], versions: Collection[tuple[str, str]]) -> str:
    if each.stored.reference in marks:
        return "marked"
    return "changed" if (each.stored.type, each.stored.id) in versions else "listed"


def _change(writer: Writer, key: tuple[str, str], before: int, after: int) -> Change:
    was = as_it_was(writer, key, before)
    present = writer.find(*key)
    old: Json = was.resource if was is not None else {}
    new: Json = present.resource if present is not None and not present.deleted else {}
    names = [name for name in dict.fromkeys([*old, *new]) if name not in ("resourceType", "id", "text")]
    elements = {
        name: (_plain(name, old), _plain(name, new)) for name in names if _plain(name, old) != _plain(name, new)
    }
    return Change("/".join(key), before, after, present is not None and present.deleted, elements)


def as_it_was(reader: Reader, key: tuple[str, str], version: int) -> Stored | None:
    """A resource as it was at a version; None where there was none, or it was deleted then."""
    if not version:
        return None
    try:
        return reader.version(*key, version)
    except Gone:
        return None


def stands(reader: Reader, key: tuple[str, str], now: Stored | None, after: int) -> bool:
    """Whether a resource says what an act left it saying at a version, whatever happened in between."""
    if now is None or now.version == after:
        return now is not None
    left = as_it_was(reader, key, after)
    if left is None or now.deleted:
        return left is None and now.deleted
    return same(without_stamp(now.resource), without_stamp(left.resource))


def _plain(name: str, resource: Json) -> Any:
    value = resource.get(name)
    if name != "meta" or not isinstance(value, dict):
        return value
    return {key: each for key, each in value.items() if key not in ("versionId", "lastUpdated")} or None
