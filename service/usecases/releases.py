"""Releases: the de-identified record of a cohort as it was at one transaction, kept, and given again byte for byte."""

from __future__ import annotations

import hashlib
import secrets
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from importlib.metadata import version
from typing import Any
from uuid import uuid4

from service.domain.actor import Actor
from service.domain.result_json import plain
from service.domain.study import LARGEST_SHIFT, SMALLEST_SHIFT, Classes, Flow, Study, classes_of
from service.errors import Conflict, Forbidden, Invalid, Issue
from service.fhir import text
from service.fhir.deidentify import LEAVING, Around, deidentified
from service.fhir.quasi_identifiers import QUASI
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.research import Kept, Name
from service.usecases.cohorts import opted_out
from service.usecases.doors import enter_duty
from service.usecases.studies import RESEARCH, is_officer, study_of

CAUTION = (
    "Observational data of routine care: nothing in them says what caused what. They were made for this study alone; "
    "who tries to find out whom they are about breaks its permission."
)
_PROFILES = {
    "S": "no dates but days since the first visit; list of 45 CFR 164.514(b)(2)",
    "L": "limited data set, dates moved by whole weeks for each patient; 45 CFR 164.514(e)",
}
_WITHDRAWN = frozenset({"entered-in-error"})


@dataclass(frozen=True, slots=True)
class Wish:
    """Which release is wanted: of a cohort (id of its Group), as of a transaction (0: now).

    `answered` is the reason for which an officer answers for classes that are too small.
    """

    cohort: str
    as_of: int = 0
    answered: str = ""


@dataclass(slots=True)
class _Names:
    """The names of a study, old and new."""

    known: dict[tuple[str, str], Name]
    fresh: list[Name] = field(default_factory=list)

    def of(self, kind: str, ident: str, patient: str) -> Name:
        found = self.known.get((kind, ident))
        if found is None:
            span = LARGEST_SHIFT - SMALLEST_SHIFT + 1
            weeks = secrets.choice((-1, 1)) * (SMALLEST_SHIFT + secrets.randbelow(span))
            found = Name(kind, ident, patient, secrets.token_hex(16), weeks)
            self.known[kind, ident] = found
            self.fresh.append(found)
        return found


def make_release(writer: Writer, actor: Actor, study: str, wish: Wish) -> Kept:
    """Make a release and keep it.

    Raises `Conflict` where a class of the study's quasi-identifiers is smaller than the study allows, unless an officer
    answers for it; and for a study that is over.
    """
    with enter_duty(actor, RESEARCH) as passage:
        found = study_of(writer, actor, study, to_use=True)
        if wish.answered and not is_officer(actor):
            raise Forbidden(Issue("forbidden", "Small classes are answered for by an officer.", "answered"))
        number = _transaction(writer, wish.as_of)
        names = _Names({(each.type, each.id): each for each in writer.research.names(study)})
        people, flow = _people(writer, found, wish.cohort, number, names)
        classes = _classes(found, people)
        if classes.below and not wish.answered:
            message = f"{classes.below} persons stand in classes of fewer than {found.k} with the same answers."
            expected = "a wider cohort, fewer quasi-identifiers, or an officer who answers for it"
            raise Conflict(Issue("conflict", message, "study.k", str(classes.smallest), "small-class", expected))
        files = _files(people)
        order = len(writer.research.releases(study)) + 1
        told = _Told(found, order, number, wish, flow, classes)
        made = Kept(str(uuid4()), study, order, number, _manifest(told, files, actor if wish.answered else None))
        writer.research.keep_names(study, names.fresh)
        writer.research.keep_release(made, files)
        writer.note(RESEARCH, ("", ""), f"study={study}&release={made.id}", _patients(names, people))
        passage.written = True
        return made


def releases_of(reader: Reader, actor: Actor, study: str) -> list[Kept]:
    """The releases of a study, the first first."""
    with enter_duty(actor, RESEARCH):
        study_of(reader, actor, study)
        return reader.research.releases(study)


def release_of(reader: Reader, actor: Actor, ident: str) -> Kept:
    """One release, for whoever may use its study. Raises `NotFound`, `Forbidden`; `Conflict` once the study is over."""
    with enter_duty(actor, RESEARCH):
        found = reader.research.release(ident)
        study_of(reader, actor, found.study, to_use=True)
        return found


def file_of(reader: Reader, actor: Actor, ident: str, name: str) -> bytes:
    """The bytes of one file of a release. Raises as `release_of`."""
    release_of(reader, actor, ident)
    return reader.research.file(ident, name)


def resources_of(reader: Reader, actor: Actor, ident: str, kind: str) -> Iterator[Json]:
    """The resources of one type in a release, to run a view over. Raises as `release_of`."""
    found = release_of(reader, actor, ident)
    if any(each["name"] == f"{kind}.ndjson" for each in found.manifest["files"]):
        yield from (text.parse(line) for line in reader.research.file(ident, f"{kind}.ndjson").splitlines())


def corrections_of(reader: Reader, actor: Actor, ident: str) -> list[str]:
    """What of a release was changed or deleted since it was made, by type and name in the study."""
    found = release_of(reader, actor, ident)
    files = [each["name"] for each in found.manifest["files"]]
    held = {text.parse(line)["id"] for name in files for line in reader.research.file(ident, name).splitlines()}
    names = {(each.type, each.id): each.name for each in reader.research.names(found.study) if each.name in held}
    gone = held - set(names.values())
    changed = [f"{kind}/{names[kind, one]}" for kind, one in reader.research.changed_since(names, found.txn)]
    return sorted([*changed, *(f"erased/{name}" for name in gone)])


def _transaction(writer: Writer, asked: int) -> int:
    last = writer.research.last_transaction()
    if asked > last:
        message = "There is no such transaction yet."
        raise Invalid(Issue("value", message, "as_of", str(asked), expected=f"at most {last}"))
    return asked or last


@dataclass(frozen=True, slots=True)
class _Person:
    ident: str
    left: list[Json]


def _people(writer: Writer, study: Study, cohort: str, number: int, names: _Names) -> tuple[dict[str, _Person], Flow]:
    """The persons of a release by name, each with what leaves; and how many dropped out where."""
    group = writer.get("Group", cohort).resource
    places = [str((each.get("entity") or {}).get("reference", "")) for each in group.get("member") or ()]
    idents = [place.removeprefix("Patient/") for place in places if place.startswith("Patient/")]
    refused = opted_out(writer)
    found: dict[str, _Person] = {}
    why: Counter[str] = Counter({"refused the use for research": sum(one in refused for one in idents)})
    until = datetime.now(UTC).date()
    for ident in (one for one in idents if one not in refused):
        then = [text.parse(each.body) for each in writer.research.as_of(ident, LEAVING, number)]
        present = [each for each in then if not _withdrawn(each)]
        first = min(_days(present), default=None)
        if not any(each["resourceType"] == "Patient" for each in present):
            why["not in the record then"] += 1
        elif first is None:
            why["no visit on record"] += 1
        else:
            name = names.of("Patient", ident, ident)
            around = Around(study.profile, first, until, name.weeks, _namer(names, present, ident))
            left = [one for each in present if (one := deidentified(each, around))]
            found[name.name] = _Person(ident, left)
    flow = Flow(len(idents))
    for what in ("refused the use for research", "not in the record then", "no visit on record"):
        flow = flow.then(what, why[what])
    return found, flow


def _namer(names: _Names, present: Iterable[Json], patient: str) -> Any:
    inside = {(each["resourceType"], each["id"]) for each in present}
    return lambda kind, ident: names.of(kind, ident, patient).name if (kind, ident) in inside else None


def _withdrawn(resource: Json) -> bool:
    codings = (resource.get("verificationStatus") or {}).get("coding") or ()
    return resource.get("status") in _WITHDRAWN or any(each.get("code") in _WITHDRAWN for each in codings)


def _days(resources: Iterable[Json]) -> Iterator[date]:
    """The days of visits and readings."""
    for each in resources:
        if each["resourceType"] in ("Encounter", "Observation"):
            written = (each.get("period") or {}).get("start") or each.get("effectiveDateTime") or ""
            if len(written) >= len("2026-03-02"):
                yield date.fromisoformat(written[:10])


def _classes(study: Study, people: Mapping[str, _Person]) -> Classes:
    return classes_of(
        {name: [QUASI[each].read(person.left) for each in study.quasi] for name, person in people.items()}, study.k
    )


def _files(people: Mapping[str, _Person]) -> dict[str, bytes]:
    """One file a type, its lines in the order of the names, which are drawn at random."""
    by_type: dict[str, list[Json]] = {}
    for person in people.values():
        for each in person.left:
            by_type.setdefault(each["resourceType"], []).append(each)
    return {
        f"{kind}.ndjson": b"".join(text.dump(each) + b"\n" for each in sorted(found, key=lambda one: str(one["id"])))
        for kind, found in sorted(by_type.items())
    }


def _patients(names: _Names, people: Mapping[str, _Person]) -> list[str]:
    return [person.ident for person in people.values()]


@dataclass(frozen=True, slots=True)
class _Told:
    study: Study
    number: int
    txn: int
    wish: Wish
    flow: Flow
    classes: Classes


def _manifest(told: _Told, files: Mapping[str, bytes], officer: Actor | None) -> dict[str, Any]:
    study = told.study
    return {
        "study": {"id": study.id, "title": study.title, "approval": study.approval, "purpose": study.purpose},
        "release": told.number,
        "as_of_transaction": told.txn,
        "made": datetime.now(UTC).date().isoformat(),
        "software": f"Hand-therapy record {version('hand-therapy-record')}",
        "deidentification": {"profile": study.profile, "means": _PROFILES[study.profile]},
        "names": "drawn at random for this study, kept in a table; nothing of the patient enters into them",
        "flow": plain(told.flow),
        "quasi_identifiers": {name: QUASI[name].title for name in study.quasi},
        "k": study.k,
        "classes": plain(told.classes),
        "answered_for": {"by": officer.name, "reason": told.wish.answered} if officer else None,
        "files": [
            {
                "name": name,
                "rows": body.count(b"\n"),
                "bytes": len(body),
                "sha256": hashlib.sha256(body).hexdigest(),
            }
            for name, body in files.items()
        ],
        "caution": CAUTION,
    }
