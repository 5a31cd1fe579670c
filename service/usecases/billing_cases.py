"""One episode as a biller needs it: what proves it, which rules apply, what was decided, and what changed since."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cached_property

from service.domain.billing.checklist import Item, checklist, lacking
from service.domain.billing.confirmation import CONFIRMED, Changed, Round, Seen, latest, state_of, version_of
from service.domain.billing.dossier import Cover, Dossier, Served, Told, served
from service.domain.billing.lines import Lines, lines_of
from service.domain.billing.rule_sets import Choice, DateRule, chosen
from service.domain.orthosis.history import life_of
from service.errors import NotFound
from service.fhir.billing import (
    from_coverage,
    from_provenance,
    from_supply_delivery,
    material,
    payer_references,
    plan_of,
)
from service.fhir.billing_names import CONFIRMATION_PROFILE, DELIVERY_PROFILE, STATEMENT_PROFILE, claims
from service.fhir.charges import from_task
from service.fhir.events import INJURY_PROFILE, from_injury
from service.fhir.orthosis.episode import from_resources, key_of
from service.fhir.orthosis.names import TYPES, claimed
from service.fhir.text import Json
from service.storage.records import Reader
from service.storage.stored import Stored
from service.usecases.billing_clinic import Billing
from service.usecases.people import born_on

_NO_ORDER = 1_000_000
"""A coverage without a place in the order of coverages comes after those that have one."""
_READ = (*TYPES, "SupplyDelivery", "Provenance", "Condition", "Coverage", "Task")


@dataclass(frozen=True)
class Case:
    """One episode with all that bears on its billing. `seen` are the versions that a decision now would rest on."""

    billing: Billing
    dossier: Dossier
    choice: Choice
    cover: Cover | None
    rounds: tuple[Round, ...]
    seen: tuple[Seen, ...]
    changed: tuple[Changed, ...]
    patient: Stored

    @cached_property
    def items(self) -> tuple[Item, ...]:
        """The checklist."""
        return checklist(self.dossier, self.choice.rules)

    @cached_property
    def served(self) -> Served:
        """The date of service."""
        return served(self.dossier.told, self.choice.rules.date_of_service)

    @cached_property
    def lacks(self) -> tuple[str, ...]:
        """What is lacking before it can be confirmed."""
        found = lacking(self.items)
        dated = self.served.day is not None or any(each.startswith("delivery-date") for each in found)
        return found if dated else (*found, f"delivery-date: {self.served.because}")

    @cached_property
    def lines(self) -> Lines:
        """The candidate lines."""
        return lines_of(self.dossier, self.choice.rules, self.billing.tables, self.billing.own)

    @property
    def last(self) -> Round | None:
        """The last decision."""
        return latest(self.rounds)

    @property
    def state(self) -> str:
        """Its state in the worklist."""
        return state_of(self.last, self.changed, self.lacks)

    @property
    def version(self) -> str:
        """One word for all that is seen here."""
        return version_of(self.seen, self.choice.rules, self.rounds)

    @property
    def is_for_billing(self) -> bool:
        """Whether there is anything to decide: not for one entered in error, or supplied by somebody else."""
        told = self.dossier.told
        if self.rounds:
            return True
        if told.life.state == "entered-in-error" or (told.life.state == "ended" and self.served.day is None):
            return False
        return told.first("taken-over") is None or told.first("delivered") is not None


def cases_of(reader: Reader, billing: Billing, patient: str) -> list[Case]:
    """Every episode of a patient (by id) that has a plan, in the order in which they were recorded."""
    person = reader.get("Patient", patient)
    found = {kind: list(reader.of_patient(patient, kind)) for kind in _READ}
    parts = [stored for kind in TYPES for stored in found[kind] if claimed(stored.resource)]
    told = [Told(each, life_of(each)) for each in from_resources(stored.resource for stored in parts)]
    planned = {stored.id for stored in found["ServiceRequest"]}
    groups: dict[tuple[str, str], list[Stored]] = {}
    for stored in parts:
        groups.setdefault(key_of(stored.resource), []).append(stored)
    gathering = _Gathering(reader, billing, person, found, told)
    return [gathering.case(each, groups[each.episode.key]) for each in told if each.episode.id in planned]


def case_of(reader: Reader, billing: Billing, episode: str) -> Case:
    """The episode with this id. Raises `NotFound`."""
    plan = reader.find("ServiceRequest", episode)
    if plan is not None and not plan.deleted and plan.patient and claimed(plan.resource):
        for case in cases_of(reader, billing, plan.patient):
            if case.dossier.told.episode.id == episode:
                return case
    raise NotFound(f"There is no orthosis episode {episode} to bill.")


@dataclass(frozen=True)
class _Gathering:
    """What was read of one patient, from which each episode takes its share."""

    reader: Reader
    billing: Billing
    person: Stored
    found: Mapping[str, Sequence[Stored]]
    told: Sequence[Told]

    def case(self, told: Told, parts: Sequence[Stored]) -> Case:
        """One episode."""
        evidence = [*self._deliveries(told), *self._statements(told), *self._conditions(told)]
        dossier = Dossier(
            told=told,
            patient_name=_name(self.person.resource),
            born=born_on(self.person),
            deliveries=tuple(from_supply_delivery(each.resource) for each in evidence if each.type == "SupplyDelivery"),
            statements=tuple(from_provenance(each.resource) for each in evidence if each.type == "Provenance"),
            covers=self._covers,
            others=tuple(other for other in self.told if other is not told),
            conditions=tuple(each.reference for each in evidence if each.type == "Condition"),
        )
        day = _day_of(told)
        cover = dossier.cover_on(day)
        choice = chosen(self.billing.rule_sets, cover.payers if cover else (), day)
        rounds = self._rounds(told)
        rested = [self.person, *parts, *evidence]
        rested += [each for each in self.found["Coverage"] if cover and each.reference == cover.reference]
        seen = tuple(Seen(each.reference, each.version) for each in rested)
        case = Case(self.billing, dossier, choice, cover, rounds, seen, (), self.person)
        last = case.last
        if last is None or last.status != CONFIRMED:
            return case
        changed = tuple(self._changed(last, rested, case))
        return Case(self.billing, dossier, choice, cover, rounds, seen, changed, self.person)

    def _deliveries(self, told: Told) -> Iterator[Stored]:
        for stored in self.found["SupplyDelivery"]:
            resource = stored.resource
            ours = claims(resource, DELIVERY_PROFILE) and resource.get("status") == "completed"
            if ours and key_of(resource) == told.episode.key:
                yield stored

    def _statements(self, told: Told) -> Iterator[Stored]:
        for stored in self.found["Provenance"]:
            if claims(stored.resource, STATEMENT_PROFILE) and plan_of(stored.resource) == told.reference:
                yield stored

    def _conditions(self, told: Told) -> Iterator[Stored]:
        for stored in self.found["Condition"]:
            resource = stored.resource
            if claims_injury(resource) and from_injury(resource).side == told.design.side:
                yield stored

    @cached_property
    def _covers(self) -> tuple[Cover, ...]:
        active = [each.resource for each in self.found["Coverage"] if each.resource.get("status") == "active"]
        keys = {tuple(ref.split("/", 1)) for each in active for ref in payer_references(each) if ref.count("/") == 1}
        known = {each.reference: each.resource for each in self.reader.several({(k[0], k[1]) for k in keys})}
        first = sorted(active, key=lambda each: int(each.get("order", _NO_ORDER)))
        return tuple(from_coverage(each, known) for each in first)

    def _rounds(self, told: Told) -> tuple[Round, ...]:
        tasks = [each for each in self.found["Task"] if claims(each.resource, CONFIRMATION_PROFILE)]
        rounds = (from_task(each.resource, each.version) for each in tasks)
        return tuple(each for each in rounds if each.episode == told.episode.id)

    def _changed(self, last: Round, rested: Sequence[Stored], case: Case) -> Iterator[Changed]:
        present = {each.reference: each for each in rested}
        for seen in last.seen:
            kind, _, ident = seen.reference.partition("/")
            now = present.get(seen.reference) or self.reader.find(kind, ident)
            change = _change(self.reader, seen, now)
            if change:
                yield change
        known, plan = {seen.reference for seen in last.seen}, case.dossier.told.reference
        for event in case.dossier.told.life.events:
            if event.kind == "repaired" and f"Procedure/{event.id}" not in known:
                what = f"a repair of {event.day.isoformat()}, which was not there"
                yield Changed(f"Procedure/{event.id}", 0, present[f"Procedure/{event.id}"].version, what)
        if last.day != case.served.day:
            yield Changed(plan, 0, 0, f"the date of service, which is now {case.served.day or 'none'}")
        if last.cover != (case.cover.reference if case.cover else ""):
            yield Changed(plan, 0, 0, "the coverage in force on that day")


def _change(reader: Reader, seen: Seen, now: Stored | None) -> Changed | None:
    kind, _, ident = seen.reference.partition("/")
    if now is None or now.deleted:
        return Changed(seen.reference, seen.version, now.version if now else 0, "it was deleted")
    if now.version == seen.version:
        return None
    before, after = (material(each.resource) for each in (reader.version(kind, ident, seen.version), now))
    names = sorted(name for name in {*before, *after} if before.get(name) != after.get(name))
    if not names:
        return None
    return Changed(seen.reference, seen.version, now.version, ", ".join(names))


def claims_injury(resource: Json) -> bool:
    """Whether a Condition states an injury by our profile, and stands."""
    given = (resource.get("meta") or {}).get("profile") or []
    verified = {each.get("code") for each in (resource.get("verificationStatus") or {}).get("coding") or []}
    return INJURY_PROFILE in given and "entered-in-error" not in verified


def _day_of(told: Told) -> date:
    """The day whose coverage and rules apply: that of service, or today."""
    given = served(told, DateRule("delivery", True, ""))
    return given.day or datetime.now(UTC).date()


def _name(patient: Json) -> str:
    name = (patient.get("name") or [{}])[0]
    return str(name.get("text") or " ".join([*(name.get("given") or []), name.get("family") or ""]).strip())
