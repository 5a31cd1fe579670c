"""Signing: readings are preliminary until their visit is signed, and final from then on.

A signature here is a statement of who vouches for which versions, and when: a Provenance, guarded by the chain of
events as every change is. It is no cryptographic signature. What is entered late stays preliminary until the visit is
signed again; when it was taken (`effective`), when it became available (`issued`, the time of signing) and when it was
written down (its first version) all stay known. After signing, what changes is `corrected`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from service.domain.actor import Actor
from service.errors import Conflict, Issue
from service.fhir import text
from service.fhir.canonical import code_system
from service.fhir.circumstances import circumstances_of
from service.fhir.derived import SIGNED, is_derived
from service.fhir.provenance import AUTHOR, VERIFIER, signature_of
from service.fhir.reading import is_panel, kind_claimed
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.doors import enter_operation
from service.usecases.rederiving import follow

_TAG = {"system": code_system("signature"), "code": "co-signature-needed", "display": "co-signature needed"}
_UNCHANGED = ("registered", "preliminary", "final")
"""The statuses that say of themselves that nothing was changed since."""
WITHDRAWN = ("entered-in-error", "cancelled")


def marked(resource: Json, actor: Actor) -> Json:
    """The resource, marked where this person's entries need another's signature.

    The mark goes when somebody whose entries need none writes the resource without it.
    """
    if not actor.cosigned or needs_signature(resource):
        return resource
    meta = resource.get("meta") or {}
    return {**resource, "meta": {**meta, "tag": [*(meta.get("tag") or []), dict(_TAG)]}}


def needs_signature(resource: Json) -> bool:
    """Whether the entry was made by somebody whose entries need another's signature, and has none yet."""
    return any(_is_mark(tag) for tag in (resource.get("meta") or {}).get("tag") or [])


def _is_mark(tag: Json) -> bool:
    return tag.get("system") == _TAG["system"] and tag.get("code") == _TAG["code"]


def _unmarked(resource: Json) -> Json:
    """The resource without the mark, as it is once the other person has signed."""
    if not needs_signature(resource):
        return resource
    meta = {name: value for name, value in resource["meta"].items() if name != "tag"}
    others = [tag for tag in resource["meta"]["tag"] if not _is_mark(tag)]
    return {**resource, "meta": {**meta, "tag": others} if others else meta}


def after_signature(resource: Json, before: Stored | None) -> Json:
    """A reading as it is to be stored over what stands: `corrected`, where a signed one says something else now.

    What says that it was withdrawn, amended or corrected stays as it says.
    """
    if resource["resourceType"] != "Observation" or resource.get("status") not in (
        "registered",
        "preliminary",
        "final",
    ):
        return resource
    if before is None or before.deleted or not _is_entry(resource):
        return resource
    known = before.resource
    if known.get("status") not in SIGNED:
        return resource
    same = _statement(resource) == _statement(known)
    issued = {"issued": known["issued"]} if same and "issued" in known else {}
    return {**resource, **issued, "status": known["status"] if same else "corrected"}


def _statement(resource: Json) -> Json:
    return {name: value for name, value in resource.items() if name not in ("meta", "status", "issued")}


def _is_entry(resource: Json) -> bool:
    return kind_claimed(resource) is not None or is_panel(resource)


@dataclass(frozen=True, slots=True)
class Late:
    """A reading that was written down on a later day than it was taken, or after its visit was signed."""

    reference: str
    taken: datetime
    day_only: bool
    recorded: datetime


@dataclass(frozen=True, slots=True)
class Signature:
    """What a signature came to: the visit, its Provenance, and what was signed.

    `final` is false where another person still has to sign. `by` is what the person signed as.
    """

    encounter: Stored
    provenance: Stored | None
    signed: tuple[Stored, ...]
    final: bool
    late: tuple[Late, ...] = ()


def sign_visit(writer: Writer, actor: Actor, ident: str) -> Signature:
    """Sign a visit (by the id of its Encounter) and all its readings that nobody has signed yet.

    A person whose entries need another's signature signs as their author, and the readings stay preliminary until
    that other person signs. Signing again when there is nothing to sign changes nothing. Raises `NotFound`, `Gone`,
    `Forbidden`, and `Conflict` for a visit that was entered in error.
    """
    with enter_operation(actor, "sign") as door:
        visit = writer.get("Encounter", ident)
        door.about(visit.patient)
        if visit.resource.get("status") in WITHDRAWN:
            message = "The visit was entered in error; there is nothing to sign."
            raise Conflict(Issue("business-rule", message, "Encounter.status", rule="sign-visit"))
        entries = list(entries_of(writer, visit))
        now = datetime.now(UTC)
        late = tuple(_late(writer, visit, entries))
        if actor.cosigned:
            return _as_author(writer, actor, visit, entries, now, late)
        return _finally(writer, actor, visit, entries, now, late)


def entries_of(reader: Reader, visit: Stored) -> Iterator[Stored]:
    """The readings of a visit and the wholes of its arcs, those withdrawn left out."""
    for each in observations_of(reader, visit):
        resource = each.resource
        if _is_entry(resource) and not is_derived(resource) and resource.get("status") not in WITHDRAWN:
            yield each


def observations_of(reader: Reader, visit: Stored) -> Iterator[Stored]:
    """Every Observation that names the visit."""
    pairs = [("encounter", visit.id), ("_count", "1000")]
    page = reader.search(parse("Observation", pairs))
    yield from page.matches
    while page.next:
        page = reader.search(parse("Observation", [*pairs, ("_cursor", page.next)]))
        yield from page.matches


def _as_author(
    writer: Writer, actor: Actor, visit: Stored, entries: Sequence[Stored], now: datetime, late: tuple[Late, ...]
) -> Signature:
    unsigned = tuple(each for each in entries if each.resource.get("status") not in SIGNED)
    if not unsigned or _has_signed(writer, actor, visit, unsigned):
        return Signature(visit, None, (), not unsigned, late)
    made = signature_of([_version(each) for each in (visit, *unsigned)], now, actor, AUTHOR)
    return Signature(visit, writer.create(made), unsigned, final=False, late=late)


def _has_signed(reader: Reader, actor: Actor, visit: Stored, entries: Sequence[Stored]) -> bool:
    """Whether this person has signed these very versions already."""
    wanted = {_version(each) for each in entries}
    for each in reader.pointing("Provenance", "target", "Encounter", [visit.id]):
        resource = each.resource
        by = [one.get("who", {}).get("identifier", {}).get("value") for one in resource.get("signature") or ()]
        if actor.id in by and wanted <= {str(one.get("reference")) for one in resource.get("target") or ()}:
            return True
    return False


def _finally(
    writer: Writer, actor: Actor, visit: Stored, entries: Sequence[Stored], now: datetime, late: tuple[Late, ...]
) -> Signature:
    open_ = [each for each in entries if each.resource.get("status") not in SIGNED or needs_signature(each.resource)]
    others = any(needs_signature(each.resource) for each in (visit, *open_))
    if not open_ and visit.resource.get("status") == "finished" and not others:
        return Signature(visit, None, (), final=True, late=late)
    signed = tuple(writer.update(_signed(each.resource, now)) for each in open_)
    stands = writer.update({**_unmarked(visit.resource), "status": "finished"})
    follow(writer, signed)
    made = signature_of([_version(each) for each in (stands, *signed)], now, actor, VERIFIER if others else AUTHOR)
    return Signature(stands, writer.create(made), signed, final=True, late=late)


def _signed(resource: Json, now: datetime) -> Json:
    status = resource["status"] if resource.get("status") in SIGNED else "final"
    return text.parse(text.dump({**_unmarked(resource), "status": status, "issued": now.isoformat()}))


def _version(stored: Stored) -> str:
    return f"{stored.reference}/_history/{stored.version}"


def _late(reader: Reader, visit: Stored, entries: Sequence[Stored]) -> Iterator[Late]:
    """Of what is about to be signed, what was entered late; both times stand beside each other."""
    was_signed = visit.resource.get("status") == "finished"
    for each in entries:
        if each.resource.get("status") in SIGNED:
            continue
        around = circumstances_of(each.resource)
        first = each if each.version == 1 else reader.version(each.type, each.id, 1)
        if was_signed or first.updated.date() > around.taken.astimezone(UTC).date():
            yield Late(each.reference, around.taken, around.day_only, first.updated)
