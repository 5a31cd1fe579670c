"""Two records of one person made one, and parted again.

Ids stay: every reference to the record that is given up points to the other from then on, and the Patient given up
stands there inactive, with a link to the one that took its place. Its identifiers go to that one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from service.domain.orthosis.checks import require_together
from service.errors import Conflict, Issue, NeedsConfirmation
from service.fhir.acts import ActTold
from service.fhir.compartment import kinds_of_a_record
from service.fhir.course import COURSE_PROFILE, claims
from service.fhir.derived import is_derived
from service.fhir.merging import (
    parted_from,
    pointed_anew,
    replaced_by,
    replacement_of,
    taking_the_place_of,
)
from service.fhir.text import Json
from service.storage.stored import Stored
from service.usecases.acts.deed import Deed, as_it_was, stands
from service.usecases.orthosis_guard import episodes_of
from service.usecases.signing import marked

_KEPT = ("Patient", "Provenance")
"""What is not rewritten: the patients themselves, and who did what to which version."""


def merge(deed: Deed, keep: str, give_up: str) -> None:
    """Make the record of one patient (by id) part of another's, which is kept.

    Raises `Conflict` where one of them is merged already, `NeedsConfirmation` where the two say different things of
    the person or both have an open course, and what forbids orthoses to be worn together.
    """
    survivor, patient = deed.writer.get("Patient", keep), deed.writer.get("Patient", give_up)
    deed.about(survivor.id, patient.id)
    _require_two(survivor, patient)
    differing = list(_differing(deed, survivor, patient))
    if differing and not deed.terms.confirmed:
        raise NeedsConfirmation(*differing)
    theirs = list(_of_record(deed, patient))
    deed.look({patient.id}, {patient.reference})
    known = {patient.reference: survivor.reference}
    for stored in theirs:
        _put(deed, pointed_anew(stored.resource, known))
    _put(deed, replaced_by(patient.resource, survivor.reference))
    _put(deed, taking_the_place_of(survivor.resource, patient.resource))
    require_together(episodes_of(deed.writer, survivor.id))


def _put(deed: Deed, resource: Json) -> None:
    """Store what says the same of another patient; what another system wrote need not keep to our rules."""
    deed.writer.update(marked(resource, deed.actor))


def _require_two(survivor: Stored, patient: Stored) -> None:
    if survivor.id == patient.id:
        raise Conflict(Issue("business-rule", "These are not two patients.", "give_up", patient.id, "two-patients"))
    for name, stored in (("keep", survivor), ("give_up", patient)):
        other = replacement_of(stored.resource)
        if other:
            message = f"This record was merged into that of Patient/{other}."
            raise Conflict(Issue("business-rule", message, name, stored.id, "two-patients"))


def _differing(deed: Deed, survivor: Stored, patient: Stored) -> Iterator[Issue]:
    one, other = survivor.resource, patient.resource
    for name in ("birthDate", "gender", "deceasedDateTime"):
        if one.get(name) and other.get(name) and one[name] != other[name]:
            message = "The two records do not say the same of the person."
            yield Issue("business-rule", message, name, f"{one[name]} and {other[name]}", "same-person")
    open_ = [each for each in (survivor, patient) if any(_open_courses(deed, each))]
    if len(open_) == 2:
        message = "Both have an open course of therapy; the record reads the first of them."
        yield Issue("business-rule", message, "EpisodeOfCare", rule="one-open-course")


def _open_courses(deed: Deed, patient: Stored) -> Iterable[Stored]:
    for stored in deed.writer.of_patient(patient.id, "EpisodeOfCare"):
        resource = stored.resource
        if claims(resource, COURSE_PROFILE) and resource.get("status") == "active":
            yield stored


def _of_record(deed: Deed, patient: Stored) -> Iterator[Stored]:
    """All that belongs to a patient or refers to them, each once."""
    seen: set[tuple[str, str]] = set()
    found = [each for kind in kinds_of_a_record() for each in deed.writer.of_patient(patient.id, kind)]
    for stored in (*found, *deed.writer.referring("Patient", patient.id)):
        if stored.type not in _KEPT and (stored.type, stored.id) not in seen:
            seen.add((stored.type, stored.id))
            yield stored


def part(deed: Deed, told: ActTold) -> None:
    """Undo a merge: what it rewrote points where it pointed before, even where it was changed since.

    What came to the record that was kept after the merge stays there.
    """
    names = [key for key in told.versions if key[0] == "Patient"]
    patients = {key: as_it_was(deed.writer, key, told.versions[key][0]) for key in names}
    given_up = next(key for key in names if replacement_of(deed.writer.get(*key).resource))
    (kept,) = (key for key in names if key != given_up)
    before, own = patients[given_up], patients[kept]
    if before is None or own is None:
        raise Conflict(Issue("business-rule", "What was merged is no longer there.", rule="undo"))
    deed.about(given_up[1], kept[1])
    back = {"/".join(kept): "/".join(given_up)}
    for key, between in told.versions.items():
        if key not in names:
            _part_one(deed, key, between, back)
    _put(deed, before.resource)
    present = deed.writer.get(*kept)
    unchanged = stands(deed.writer, kept, present, told.versions[kept][1])
    _put(deed, own.resource if unchanged else parted_from(present.resource, before.resource, own.resource))


def _part_one(deed: Deed, key: tuple[str, str], between: tuple[int, int], back: dict[str, str]) -> None:
    was, present = as_it_was(deed.writer, key, between[0]), deed.writer.find(*key)
    if present is None or present.deleted:
        return
    # A result is computed anew in any case, from what it said before.
    unchanged = is_derived(present.resource) or stands(deed.writer, key, present, between[1])
    if was is not None:
        _put(deed, was.resource if unchanged else pointed_anew(present.resource, back))
    elif unchanged:
        deed.writer.delete(*key)
