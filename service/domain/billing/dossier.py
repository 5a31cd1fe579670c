"""All that bears on the billing of one episode: the episode itself, and what else the record holds that proves it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from service.domain.billing.rule_sets import DateRule, Payer
from service.domain.orthosis.design import Design
from service.domain.orthosis.episode import Episode, Event
from service.domain.orthosis.life import Life

STATEMENTS: dict[str, str] = {
    "order-signature": "signature under the order",
    "plan-of-care": "plan of care",
    "instructions": "instructions on wearing, care and whom to call",
    "medical-need": "why the orthosis is needed",
    "change-in-condition": "change in condition that needs another orthosis",
}
"""What a named person may state, with the document where it stands."""


@dataclass(frozen=True, slots=True)
class Statement:
    """That a document proves something: who states it, of which day it is, and whether it is signed."""

    item: str
    on: date
    by: str
    document: str
    signed: bool = False
    reference: str = ""


@dataclass(frozen=True, slots=True)
class Delivery:
    """The handing over of an orthosis. `receiver` took it, `relation` to the patient empty where it is the patient."""

    on: date
    quantity: int = 1
    description: str = ""
    address: str = ""
    receiver: str = ""
    relation: str = ""
    signed: bool = False
    instructions: bool = False
    supplier: str = ""
    supplier_reference: str = ""
    reference: str = ""


@dataclass(frozen=True, slots=True)
class Cover:
    """A coverage of the patient's: who pays, from when to when."""

    reference: str
    payers: tuple[Payer, ...]
    since: date | None = None
    until: date | None = None
    number: str = ""

    def in_force(self, day: date) -> bool:
        """Whether it is in force on a day."""
        return (self.since is None or self.since <= day) and (self.until is None or day <= self.until)


@dataclass(frozen=True, slots=True)
class Told:
    """An episode and what its events come to."""

    episode: Episode
    life: Life

    @property
    def reference(self) -> str:
        """The reference of the plan, by which the episode goes here."""
        return f"ServiceRequest/{self.episode.id}"

    @property
    def design(self) -> Design:
        """The orthosis as decided."""
        return self.episode.design

    def first(self, *kinds: str) -> Event | None:
        """The first event that counts of one of these kinds."""
        return next((event for event in self.life.events if event.kind in kinds), None)

    @property
    def handed_over(self) -> Event | None:
        """The delivery; else the first fitting, at which it was handed over."""
        return self.first("delivered") or self.first("fitted")


@dataclass(frozen=True, slots=True)
class Dossier:
    """One episode and everything that bears on its billing. `others` are the patient's other episodes."""

    told: Told
    patient_name: str = ""
    born: date | None = None
    deliveries: tuple[Delivery, ...] = ()
    statements: tuple[Statement, ...] = ()
    covers: tuple[Cover, ...] = ()
    others: tuple[Told, ...] = ()
    conditions: tuple[str, ...] = ()
    """References of Conditions of the side that was treated."""

    def stated(self, item: str) -> tuple[Statement, ...]:
        """The statements of one item."""
        return tuple(each for each in self.statements if each.item == item)

    def cover_on(self, day: date) -> Cover | None:
        """The coverage in force on a day; of several, the first in their order."""
        return next((cover for cover in self.covers if cover.in_force(day)), None)

    def similar(self, years: int) -> Iterator[tuple[Told, date]]:
        """Earlier orthoses for the same part, with the day they were handed over, up to so many years before."""
        mine = served(self.told, DateRule("delivery", False, "")).day
        for other in self.others:
            event = other.handed_over or other.first("taken-over")
            if mine is None or event is None or other.life.state == "entered-in-error":
                continue
            recent = _years_before(mine, years) <= event.day <= mine and self._is_earlier(other, event)
            if recent and alike(self.told.design, other.design):
                yield other, event.day

    def _is_earlier(self, other: Told, event: Event) -> bool:
        mine = self.told.handed_over
        return mine is not None and (event.day, other.episode.decided, other.episode.id) < (
            mine.day, self.told.episode.decided, self.told.episode.id,
        )  # fmt: skip

    @property
    def twin(self) -> Told | None:
        """The same orthosis for the other side, handed over on the same day."""
        mine, design = self.told.handed_over, self.told.design
        for other in self.others:
            theirs, opposite = other.handed_over, other.design
            if mine is None or theirs is None or mine.day != theirs.day or opposite.side == design.side:
                continue
            if _facets(opposite) == _facets(design) and other.life.state != "entered-in-error":
                return other
        return None


def _facets(design: Design) -> tuple[str, ...]:
    return design.form, design.region, design.fabrication, design.mechanism


def _years_before(day: date, years: int) -> date:
    leap = day.month == 2 and day.day == 29
    return day.replace(year=day.year - years, **({"day": 28} if leap else {}))


def alike(one: Design, other: Design) -> bool:
    """Whether two orthoses are for the same part of the same side: a joint held by both, or a region and digits."""
    if one.side != other.side:
        return False
    if one.joints & other.joints:
        return True
    digits = not one.digits or not other.digits or bool(set(one.digits) & set(other.digits))
    return digits and one.region == other.region != "unknown"


@dataclass(frozen=True, slots=True)
class Served:
    """The date of service, or None with why it cannot be told."""

    day: date | None
    because: str
    event: Event | None = None


def served(told: Told, rule: DateRule) -> Served:
    """The date of service of an orthosis under a rule."""
    if told.first("taken-over") and not told.first("delivered"):
        return Served(None, "It was taken over from elsewhere, so somebody else supplied it.")
    life = told.life
    if life.state == "ended" and not life.fitted and not told.first("delivered"):
        custom = told.design.fabrication == "custom" and told.first("made")
        if rule.cancelled_custom and custom and life.ended:
            return Served(life.ended.day, "A custom one given up before it was fitted: the day of its end.", life.ended)
        return Served(None, "It ended without having been delivered or fitted.")
    if rule.at == "decision":
        return Served(told.episode.decided, "The day of the decision.")
    event = told.first("fitted") if rule.at == "fitting" else told.handed_over
    if event is None:
        return Served(None, "It has not been delivered or fitted yet.")
    words = {
        "delivered": "The day of delivery.",
        "fitted": "The day of fitting, since no delivery is recorded before it.",
    }
    return Served(event.day, words[event.kind], event)
