"""Which evidence an episode has and lacks under a payer's rules, each item with the resources that prove it.

What is told here is who, when and which: never a measurement, nor a clinician's own words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from service.domain.billing.dossier import Dossier, served
from service.domain.billing.rule_sets import ITEMS, EvidenceRule, RuleSet
from service.domain.orthosis.design import FABRICATION
from service.domain.orthosis.naming import descriptive_name

HAS, LACKS, NOT_ASKED = "has", "lacks", "not-asked"


@dataclass(frozen=True, slots=True)
class Found:
    """What was found for one item: what it lacks, in words; the references that prove it; and what they tell."""

    lacks: tuple[str, ...] = ()
    proofs: tuple[str, ...] = ()
    tells: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Item:
    """One item of the checklist. `status` is has, lacks, or not-asked (for an orthosis of this kind)."""

    item: str
    title: str
    status: str
    lacks: tuple[str, ...]
    proofs: tuple[str, ...]
    tells: tuple[str, ...]
    source: str


_Look = Callable[[Dossier, EvidenceRule, RuleSet], Found]


def checklist(dossier: Dossier, rules: RuleSet) -> tuple[Item, ...]:
    """Every item the rules ask for, in their order."""
    return tuple(_item(dossier, asked, rules) for asked in rules.evidence)


def lacking(items: Iterable[Item]) -> tuple[str, ...]:
    """What is lacking, in words: the item and what of it."""
    return tuple(f"{item.item}: {what}" for item in items if item.status == LACKS for what in item.lacks)


def _item(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Item:
    kind = dossier.told.design.fabrication
    if asked.only_for and kind not in asked.only_for:
        tells = (f"Not asked for one that is {FABRICATION[kind]}.",)
        return Item(asked.item, ITEMS[asked.item], NOT_ASKED, (), (), tells, asked.source)
    found = _LOOKS[asked.item](dossier, asked, rules)
    status = LACKS if found.lacks else HAS
    proofs = tuple(dict.fromkeys(found.proofs))
    return Item(asked.item, ITEMS[asked.item], status, found.lacks, proofs, found.tells, asked.source)


def _missing(**given: bool) -> tuple[str, ...]:
    """The names of what is not there, underscores as spaces."""
    return tuple(name.replace("_", " ") for name, there in given.items() if not there)


def _late(on: date, before: str, dossier: Dossier, rules: RuleSet) -> tuple[str, ...]:
    day = served(dossier.told, rules.date_of_service).day
    if before == "delivery" and day and on > day:
        return (f"it is of {on.isoformat()}, after the delivery",)
    return ()


def _order(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    episode = dossier.told.episode
    event = dossier.told.first("ordered")
    who = event.who if event else episode.by_name or episode.by
    on = event.day if event else episode.decided
    proofs = [dossier.told.reference, f"DeviceRequest/{episode.request_id}"]
    return Found(
        (*_missing(name_of_the_patient=bool(dossier.patient_name), who_ordered=bool(who)),
         *_late(on, asked.before, dossier, rules)),
        tuple([*proofs, f"Procedure/{event.id}"] if event else proofs),
        (f"{descriptive_name(episode.design)}, 1, of {on.isoformat()}, by {who or 'nobody named'}",),
    )  # fmt: skip


def _stated(item: str, what: str) -> _Look:
    def look(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
        given = dossier.stated(item)
        good = [each for each in given if not _late(each.on, asked.before, dossier, rules)]
        if item == "order-signature":
            good = [each for each in good if each.signed]
        proofs = tuple(each.reference for each in given)
        tells = tuple(f"{each.on.isoformat()}, by {each.by}: {each.document}" for each in given)
        return Found(() if good else (what,), proofs, tells)

    return look


def _need(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    stated = dossier.stated("medical-need")
    proofs = [*([dossier.told.reference] if dossier.told.episode.reason else []), *dossier.conditions]
    proofs += [each.reference for each in stated]
    return Found(() if proofs else ("a reason, a condition of that side, or a statement",), tuple(proofs))


def _description(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    design = dossier.told.design
    given = {
        "region": design.region != "unknown",
        "how it was fabricated": design.fabrication != "unknown",
        "how it acts (mechanism)": design.mechanism != "unknown" or design.form != "orthosis",
    }
    if design.fabrication == "custom":
        given["material"] = bool(design.material)
    if design.fabrication == "prefabricated-fitted":
        given["what was modified"] = bool(design.modified)
        given["who modified it"] = bool(design.modified_by)
    tells = (f"{descriptive_name(design)}; {FABRICATION[design.fabrication]}",)
    episode = dossier.told.episode
    proofs = (f"Device/{episode.device_id}", f"DeviceRequest/{episode.request_id}")
    return Found(tuple(name for name, there in given.items() if not there), proofs, tells)


_OF_DIGITS = ("finger", "thumb", "hand-finger", "wrist-hand-finger", "elbow-wrist-hand-finger")


def _side(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    design = dossier.told.design
    needs = design.region in _OF_DIGITS
    tells = (", ".join((design.side, *design.digits)),)
    return Found(_missing(digits=bool(design.digits) or not needs), (dossier.told.reference,), tells)


def _delivered(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    found = served(dossier.told, rules.date_of_service)
    if found.day is None:
        return Found((found.because,))
    proofs = (f"Procedure/{found.event.id}",) if found.event else (dossier.told.reference,)
    return Found((), proofs, (f"{found.day.isoformat()}: {found.because}",))


def _proof(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    if not dossier.deliveries:
        return Found(("a record of the delivery",))
    given = dossier.deliveries[-1]
    day = served(dossier.told, rules.date_of_service).day
    missing = _missing(
        description=bool(given.description),
        address=bool(given.address),
        who_signed=bool(given.receiver),
        signature=given.signed,
    )
    if day and given.on != day:
        missing = (*missing, f"the date of service, {day.isoformat()}: it tells of {given.on.isoformat()}")
    who = f"{given.receiver} ({given.relation or 'the patient'})" if given.receiver else "nobody named"
    tells = (f"{given.on.isoformat()}, quantity {given.quantity}, received by {who}",)
    return Found(missing, (given.reference,), tells)


def _instructions(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    given = [each.reference for each in dossier.deliveries if each.instructions]
    stated = dossier.stated("instructions")
    proofs = (*given, *(each.reference for each in stated))
    return Found(() if proofs else ("that instructions were given",), proofs)


def _fitting(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    event = dossier.told.first("fitted")
    if event is None:
        cancelled = served(dossier.told, rules.date_of_service)
        if cancelled.event and cancelled.event.kind == "ended":
            return Found((), (f"Procedure/{cancelled.event.id}",), ("It was given up before it was fitted.",))
        return Found(("a fitting",))
    tells = (
        f"{event.day.isoformat()}, by {event.who or 'nobody named'}, {event.expertise or 'expertise not recorded'}",
    )
    missing = _missing(who_fitted_it=bool(event.who), with_what_expertise=bool(event.expertise))
    return Found(missing, (f"Procedure/{event.id}",), tells)


ELSEWHERE = "Only this record was looked at: what others supplied is not in it."


def _similar(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    back = rules.look_back
    if back is None:
        return Found()
    excused = dossier.stated(back.statement)
    proofs, missing, tells = [each.reference for each in excused], [], []
    for other, day in dossier.similar(back.years):
        plan, ended = other.reference, other.life.ended
        reason = ended.reason if ended else ""
        tells.append(f"{plan}: {descriptive_name(other.design)}, {day.isoformat()}, {reason or 'not ended'}")
        proofs.append(plan)
        if reason not in back.unless and not excused:
            missing.append(
                f"an exception for {plan} of {day.isoformat()}: {' or '.join((*back.unless, back.statement))}"
            )
    return Found(tuple(missing), tuple(proofs), (*tells, ELSEWHERE))


def _supplier(dossier: Dossier, asked: EvidenceRule, rules: RuleSet) -> Found:
    given = next((each for each in reversed(dossier.deliveries) if each.supplier or each.supplier_reference), None)
    if given is None:
        return Found(("who supplied it",))
    return Found((), (given.reference,), (given.supplier or given.supplier_reference,))


_LOOKS: Mapping[str, _Look] = {
    "order": _order,
    "order-signature": _stated("order-signature", "a signed order"),
    "medical-need": _need,
    "description": _description,
    "side-and-digits": _side,
    "delivery-date": _delivered,
    "proof-of-delivery": _proof,
    "instructions": _instructions,
    "fitting": _fitting,
    "same-or-similar": _similar,
    "plan-of-care": _stated("plan-of-care", "a plan of care"),
    "supplier": _supplier,
}
