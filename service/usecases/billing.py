"""Confirming orthosis episodes for billing: the worklist, and what a biller decides.

Of two who decide on the same episode one comes first, and the other is told: every decision names the version that
was seen, and writers come one at a time.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from service.domain.actor import Actor
from service.domain.billing.confirmation import (
    CONFIRMED,
    RETURNED,
    STATES,
    VOID,
    Charge,
    Chosen,
    Round,
    Seen,
    require_choosable,
    require_seen,
    require_state,
)
from service.domain.billing.lines import Candidate
from service.domain.orthosis.design import choice
from service.errors import Conflict, Invalid, Issue
from service.fhir.billing_names import CHARGE_PROFILE, claims
from service.fhir.charges import from_charge_item, to_charge_item, to_task
from service.fhir.orthosis.names import claimed
from service.fhir.search_parameters import parse
from service.fhir.text import Json
from service.fhir.validation import require_valid
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.billing_cases import Case, case_of, cases_of
from service.usecases.billing_clinic import Billing
from service.usecases.doors import Door, enter_operation


@dataclass(frozen=True, slots=True)
class Wish:
    """What a biller decided on: the lines, or the charge that this episode is included in."""

    version: str
    lines: tuple[Chosen, ...] = ()
    included_in: str = ""


def worklist(
    reader: Reader, actor: Actor, billing: Billing, *, state: str = "", patient: str = "", since: date | None = None
) -> list[Case]:
    """Episodes with anything to bill: of one patient (by id) or of all, in one state, decided on since a day.

    Raises `Invalid` for a state there is not.
    """
    with enter_operation(actor, "billing", patient) as door:
        unknown = choice("state", state, STATES) if state else []
        if unknown:
            raise Invalid(*unknown)
        patients = [patient] if patient else list(dict.fromkeys(_with_plans(reader, since)))
        found: list[Case] = []
        for ident in patients:
            door.about(ident)
            found += [case for case in cases_of(reader, billing, ident) if case.is_for_billing]
        recent = [case for case in found if since is None or case.dossier.told.episode.decided >= since]
        return [case for case in recent if not state or case.state == state]


def _with_plans(reader: Reader, since: date | None) -> Iterator[str]:
    for stored in every(reader, "ServiceRequest", *([("authored", f"ge{since.isoformat()}")] if since else ())):
        if stored.patient and claimed(stored.resource):
            yield stored.patient


def every(reader: Reader, kind: str, *asked: tuple[str, str]) -> Iterator[Stored]:
    """Every present resource of a type that a search finds, page by page."""
    pairs = [("_count", "1000"), *asked]
    page = reader.search(parse(kind, pairs))
    yield from page.matches
    while page.next:
        page = reader.search(parse(kind, [*pairs, ("_cursor", page.next)]))
        yield from page.matches


def look_at(reader: Reader, actor: Actor, billing: Billing, episode: str) -> Case:
    """One episode as a biller sees it. Raises `NotFound` or `Forbidden`."""
    with enter_operation(actor, "billing") as door:
        return _shown(reader, door, billing, episode)


def _shown(reader: Reader, door: Door, billing: Billing, episode: str) -> Case:
    case = case_of(reader, billing, episode)
    door.about(case.patient.id)
    return case


def charges_of(reader: Reader, case: Case) -> list[Charge]:
    """Every charge of an episode, in the order in which they were confirmed."""
    found = (stored.resource for stored in reader.of_patient(case.patient.id, "ChargeItem"))
    charges = [from_charge_item(resource) for resource in found if claims(resource, CHARGE_PROFILE)]
    return [charge for charge in charges if charge.episode == case.dossier.told.episode.id]


def confirm(writer: Writer, actor: Actor, billing: Billing, episode: str, wish: Wish) -> Case:
    """Write down what a biller chose, with the versions it rests on.

    Raises `Conflict` where it is not ready, or has changed since it was seen; `Invalid` for lines that cannot be.
    """
    with enter_operation(actor, "billing-decision") as door:
        case = _shown(writer, door, billing, episode)
        require_state(case.state, ("ready", "void"), "confirmed", _why_not(case))
        if case.lacks:
            raise Conflict(Issue("business-rule", "It lacks what is asked for.", value="; ".join(case.lacks)))
        require_seen(wish.version, case.version)
        rules = case.choice.rules
        candidates = require_choosable(wish.lines, case.lines, rules, wish.included_in)
        included = [_included(writer, case, wish.included_in)] if wish.included_in else []
        now = datetime.now(UTC)
        made = [_charge(writer, actor, case, *each, now) for each in zip(wish.lines, candidates, strict=True)]
        for charge in made:
            write(writer, to_charge_item(charge))
        round_ = replace(
            _begun(writer, actor, case, CONFIRMED, now),
            seen=(*case.seen, *(Seen(one.reference, one.version) for one in included)),
            charges=tuple([f"ChargeItem/{one.id}" for one in made] + [one.reference for one in included]),
            day=case.served.day,
            cover=case.cover.reference if case.cover else "",
        )
        write(writer, to_task(round_))
        return case_of(writer, billing, episode)


def _why_not(case: Case) -> str:
    last = case.last
    if case.state == "lacking":
        return f" It lacks: {'; '.join(case.lacks)}."
    if last and case.state in ("confirmed", "needs-review"):
        return f" {last.by} confirmed it at {last.at.isoformat(timespec='seconds')}."
    return ""


def _begun(writer: Writer, actor: Actor, case: Case, status: str, now: datetime) -> Round:
    episode = case.dossier.told.episode
    return Round(
        id=writer.new_id(),
        status=status,
        by=actor.name,
        at=now,
        episode=episode.id,
        key=episode.key,
        patient=episode.patient,
        seen=case.seen,
        rules=case.choice.rules.label,
    )


def _charge(writer: Writer, actor: Actor, case: Case, chosen: Chosen, candidate: Candidate, now: datetime) -> Charge:
    told = case.dossier.told
    event = case.served.event
    supplier = next((each for each in reversed(case.dossier.deliveries) if each.supplier_reference), None)
    proofs = [proof for item in case.items for proof in item.proofs if not proof.startswith("ServiceRequest/")]
    return Charge(
        id=writer.new_id(),
        episode=told.episode.id,
        key=told.episode.key,
        patient=told.episode.patient,
        chosen=chosen,
        display=candidate.code.display,
        edition=candidate.code.edition,
        side=told.design.side,
        digits=told.design.digits,
        day=candidate.day,
        device=f"Device/{told.episode.device_id}",
        supplier=candidate.supplier,
        supplier_reference=supplier.supplier_reference if supplier else "",
        procedures=(f"Procedure/{event.id}",) if event else (),
        evidence=tuple(dict.fromkeys(proofs)),
        rules=case.choice.rules.label,
        cover=case.cover.reference if case.cover else "",
        by=actor.name,
        at=now,
    )


def _included(reader: Reader, case: Case, reference: str) -> Stored:
    """The charge of the other side that is for both. Raises `Invalid`."""
    stored = reader.find("ChargeItem", reference.removeprefix("ChargeItem/"))
    twin = case.dossier.twin
    if stored is not None and not stored.deleted and claims(stored.resource, CHARGE_PROFILE) and twin:
        charge = from_charge_item(stored.resource)
        both = case.choice.rules.lines.bilateral == "one-line" and charge.chosen.units == 2
        if both and not charge.void and charge.episode == twin.episode.id:
            return stored
    message = "It can be included only in a line of two units for the other side, where the payer's rules make one."
    raise Invalid(Issue("value", message, "included_in", reference, "line-of-both-sides"))


def ask(writer: Writer, actor: Actor, billing: Billing, episode: str, question: str) -> Case:
    """Return an episode with a question. Raises `Conflict` where it is confirmed or returned already."""
    with enter_operation(actor, "billing-decision") as door:
        case = _shown(writer, door, billing, episode)
        require_state(case.state, ("ready", "lacking", "void"), "returned with a question", _why_not(case))
        given = _begun(writer, actor, case, RETURNED, datetime.now(UTC))
        write(writer, to_task(replace(given, question=question)))
        return case_of(writer, billing, episode)


def answer(writer: Writer, actor: Actor, billing: Billing, episode: str, words: str) -> Case:
    """Answer the question an episode was returned with; it goes back to the biller."""
    with enter_operation(actor, "billing-answer") as door:
        case = _shown(writer, door, billing, episode)
        require_state(case.state, ("returned",), "answered")
        last = _last(case)
        write(writer, to_task(replace(last, answer=words, notes=(*last.notes, _note(actor, "Answered")))))
        return case_of(writer, billing, episode)


def keep(writer: Writer, actor: Actor, billing: Billing, episode: str, version: str, reason: str) -> Case:
    """Let a confirmation stand that needs review: from now on it rests on what is there now."""
    with enter_operation(actor, "billing-decision") as door:
        case = _shown(writer, door, billing, episode)
        require_state(case.state, ("needs-review",), "kept")
        require_seen(version, case.version)
        last = _last(case)
        others = [seen for seen in last.seen if seen.reference.startswith("ChargeItem/")]
        kept = replace(
            last,
            seen=(*case.seen, *_present(writer, others)),
            day=case.served.day,
            cover=case.cover.reference if case.cover else "",
            notes=(*last.notes, f"{_note(actor, 'Kept')}: {reason}"),
        )
        write(writer, to_task(kept))
        return case_of(writer, billing, episode)


def _present(reader: Reader, seen: Sequence[Seen]) -> Iterator[Seen]:
    for one in seen:
        stored = reader.get("ChargeItem", one.reference.removeprefix("ChargeItem/"))
        yield Seen(stored.reference, stored.version)


def void(writer: Writer, actor: Actor, billing: Billing, episode: str, version: str, reason: str) -> Case:
    """Take a confirmation back, with its charges. They stay; what was exported is reversed by the next export."""
    with enter_operation(actor, "billing-decision") as door:
        case = _shown(writer, door, billing, episode)
        require_state(case.state, ("confirmed", "needs-review"), "voided")
        require_seen(version, case.version)
        last = _last(case)
        for charge in charges_of(writer, case):
            if f"ChargeItem/{charge.id}" in last.charges:
                write(writer, to_charge_item(replace(charge, void=reason)))
        write(writer, to_task(replace(last, status=VOID, reason=reason, notes=(*last.notes, _note(actor, "Voided")))))
        return case_of(writer, billing, episode)


def _last(case: Case) -> Round:
    last = case.last
    if last is None:
        raise LookupError("a state that only a decision leads to, without one")
    return last


def _note(actor: Actor, what: str) -> str:
    return f"{what} by {actor.name} at {datetime.now(UTC).isoformat(timespec='seconds')}"


def write(writer: Writer, resource: Json) -> Stored:
    """Store a decision or a charge, new or changed; they are written in no other way."""
    require_valid(resource)
    ident = str(resource["id"])
    present = writer.find(str(resource["resourceType"]), ident)
    return writer.create(resource, id=ident) if present is None else writer.update(resource)
