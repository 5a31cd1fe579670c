"""An orthosis episode and its events as a clinician sends them, from JSON; the JSON Schema follows from these forms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import Field

from service.domain.anatomy import DIGITS, SIDES, Side
from service.domain.clock import moment
from service.domain.orthosis import design as facets
from service.domain.orthosis.dose import SOURCES, Wear
from service.domain.orthosis.episode import ACTS, END_REASONS, Check, Episode, Event, Exercise, Series
from service.domain.orthosis.regimens import WEARING, Regimen
from service.errors import Invalid, Issue, NotFound
from service.storage.records import Reader
from service.usecases.form import Day, Form
from service.usecases.people import find_patient, performer
from service.usecases.visit_input import Person


def one_of(allowed: Sequence[str] | Mapping[str, str]) -> Any:
    """These answers, named in the schema; the trade itself refuses any other."""
    return Field(json_schema_extra={"enum": list(allowed)})


Number = Decimal | int
Motion = Annotated[str, one_of(facets.MOTIONS)]


class PersonForm(Form):
    """Somebody, by resource id, by identifier (system and value), or by name."""

    id: str = ""
    system: str = ""
    value: str = ""
    name: str = ""

    def made(self) -> Person:
        """As the record looks people up."""
        return Person(self.id, (self.system, self.value) if self.system and self.value else None, self.name)


class KeyForm(Form):
    """What identifies the episode where it came from."""

    system: Annotated[str, Field(min_length=1)]
    value: Annotated[str, Field(min_length=1)]


class HeldForm(Form):
    """A joint held, in degrees from neutral in a named direction; `primary` is false where it is only spanned."""

    joint: str
    motion: Motion = "flexion"
    angle: Number | None = None
    primary: bool = True

    def made(self) -> facets.Held:
        """As the record takes it."""
        return facets.Held(self.joint, self.motion, _decimal(self.angle), self.primary)


class BlockedForm(Form):
    """A joint blocked against one motion, from `beyond` degrees on."""

    joint: str
    motion: Motion
    beyond: Number | None = None


class ComponentForm(Form):
    """A part that comes off; `share` is the percentage of wearing time it is on."""

    name: Annotated[str, Field(min_length=1)]
    share: Number | None = None

    def made(self) -> facets.Component:
        """As the record takes it."""
        return facets.Component(self.name, _decimal(self.share))


class EndRangeForm(Form):
    """That it holds the end of the range in this direction, and what that assumption rests on."""

    motion: Motion
    assumption: str


class DesignForm(Form):
    """What the orthosis is. What is left out was not recorded."""

    side: Annotated[str, one_of(SIDES)]
    form: Annotated[str, one_of(facets.FORMS)] = "orthosis"
    region: Annotated[str, one_of(facets.REGIONS)] = "unknown"
    digits: Annotated[list[str], Field(json_schema_extra={"items": {"enum": list(DIGITS)}})] = []
    holds: list[HeldForm] = []
    blocks: list[BlockedForm] = []
    free: list[str] = []
    direction: str = ""
    purpose: Annotated[str, one_of(facets.PURPOSES)] = "unknown"
    articular: bool = True
    mechanism: Annotated[str, one_of(facets.MECHANISMS)] = "unknown"
    material: str = ""
    padding: str = ""
    fabrication: Annotated[str, one_of(facets.FABRICATION)] = "unknown"
    modified: str = ""
    modified_by: str = ""
    removable: Annotated[str, one_of(facets.REMOVABLE)] = "unknown"
    components: list[ComponentForm] = []
    end_range: EndRangeForm | None = None
    over: Annotated[str, Field(description="Key of the episode whose orthosis it is worn over.")] = ""

    def made(self) -> facets.Design:
        """As the record takes it. Raises `Invalid` for a side that is none."""
        return facets.Design(
            side=_side(self.side),
            digits=tuple(self.digits),
            holds=tuple(held.made() for held in self.holds),
            blocks=tuple(facets.Blocked(b.joint, b.motion, _decimal(b.beyond)) for b in self.blocks),
            free=tuple(self.free),
            components=tuple(component.made() for component in self.components),
            end_range=facets.EndRange(**self.end_range.model_dump()) if self.end_range else None,
            **self.model_dump(exclude={"side", "digits", "holds", "blocks", "free", "components", "end_range"}),
        )


class RegimenForm(Form):
    """How it is to be worn from here on."""

    wearing: Annotated[str, one_of(WEARING)]
    hours: Number | None = None
    activity: str = ""


class CheckForm(Form):
    """What a check of skin and circulation found, by item."""

    findings: dict[str, str] = {}
    red_flag: bool = False


class ExerciseForm(Form):
    """Exercises in the orthosis; `shares` is the percentage of the day of each component."""

    leads: str = ""
    repetitions: int | None = None
    times_a_day: int | None = None
    shares: dict[str, Number] = {}

    def made(self) -> Exercise:
        """As the record takes it."""
        shares = {name: Decimal(share) for name, share in self.shares.items()}
        return Exercise(self.leads, self.repetitions, self.times_a_day, shares)


class EventForm(Form):
    """Something that happened; `at` is a day, or a time with its offset or in the clinic's zone."""

    kind: Annotated[str, one_of(ACTS)]
    at: str
    by: PersonForm | None = None
    expertise: str = ""
    where: str = ""
    note: str = ""
    regimen: RegimenForm | None = None
    reason: Annotated[str, one_of(["", *END_REASONS])] = ""
    replaced_by: str = ""
    holds: list[HeldForm] = []
    component: ComponentForm | None = None
    check: CheckForm | None = None
    exercise: ExerciseForm | None = None
    answers: Annotated[int, Field(description="The number of the red flag this answers.", ge=0)] = 0

    def made(self, reader: Reader, zone: ZoneInfo | None) -> Event:
        """As the record takes it. Raises `Invalid` for a time, `NotFound` for a person."""
        when = moment(self.at, zone, "at")
        by, name = performer(reader, self.by.made()) if self.by else ("", "")
        regimen = self.regimen
        return Event(
            kind=self.kind,
            at=when.at,
            day_only=when.day_only,
            by=by,
            by_name=name,
            regimen=Regimen(regimen.wearing, _decimal(regimen.hours), regimen.activity) if regimen else None,
            holds=tuple(held.made() for held in self.holds),
            component=self.component.made() if self.component else None,
            check=Check(self.check.findings, self.check.red_flag) if self.check else None,
            exercise=self.exercise.made() if self.exercise else None,
            **self.model_dump(include={"expertise", "where", "note", "reason", "replaced_by", "answers"}),
        )


class SeriesForm(Form):
    """The place of the episode among those that follow one another, and why the one before was changed."""

    name: Annotated[str, Field(min_length=1)]
    number: int
    reason: str = ""


class EpisodeForm(Form):
    """A new episode, with what has happened already."""

    patient: PersonForm
    decided: Day
    design: DesignForm
    key: KeyForm | None = None
    name: str = ""
    names: list[str] = []
    by: PersonForm | None = None
    reason: str = ""
    goal: str = ""
    planned: Day | None = None
    series: SeriesForm | None = None
    events: list[EventForm] = []

    def made(self, reader: Reader, zone: ZoneInfo | None) -> Episode:
        """As the record takes it. Raises `Invalid` or `NotFound`."""
        by, name = performer(reader, self.by.made()) if self.by else ("", "")
        return Episode(
            key=(self.key.system, self.key.value) if self.key else ("", ""),
            patient=find_patient(reader, self.patient.made()).reference,
            decided=self.decided,
            design=self.design.made(),
            name=self.name,
            names=tuple(self.names),
            by=by,
            by_name=name,
            reason=self.reason,
            goal=self.goal,
            planned=self.planned,
            series=Series(**self.series.model_dump()) if self.series else None,
        ).with_events(events_made(self.events, reader, zone))


class EventsForm(Form):
    """What happened to an orthosis. `after` is the number of the last event that was seen."""

    events: Annotated[list[EventForm], Field(min_length=1)]
    after: int | None = None

    def made(self, reader: Reader, zone: ZoneInfo | None) -> list[Event]:
        """As the record takes them. Raises `Invalid` or `NotFound`, with the place of the event."""
        return list(events_made(self.events, reader, zone))


def events_made(forms: Sequence[EventForm], reader: Reader, zone: ZoneInfo | None) -> Iterator[Event]:
    """Each event; what is wrong with one says which. Raises `Invalid` or `NotFound`."""
    for n, form in enumerate(forms):
        try:
            yield form.made(reader, zone)
        except (Invalid, NotFound) as error:
            raise type(error)(*(issue.at(f"events[{n}]") for issue in error.issues)) from error


class RetractionForm(Form):
    """Why an event is taken back."""

    reason: str
    after: int | None = None


class WearForm(Form):
    """Hours worn on one day, reported by the patient or sensed; `uncertainty` in hours either way."""

    day: Day
    hours: Number
    source: Annotated[str, one_of(SOURCES)] = "reported"
    by: Annotated[str, Field(description="Who reported it (patient, carer), or which sensor.")] = ""
    uncertainty: Number | None = None

    def made(self) -> Wear:
        """As the record takes it."""
        return Wear(self.day, Decimal(self.hours), self.source, self.by, _decimal(self.uncertainty))


class WearsForm(Form):
    """Hours worn, a day at a time. A day without a report is left out: missing is not zero."""

    days: Annotated[list[WearForm], Field(min_length=1)]


def _decimal(given: Number | None) -> Decimal | None:
    return None if given is None else Decimal(given)


def _side(given: str) -> Side:
    found = next((side for side in SIDES if side == given), None)
    if found is None:
        raise Invalid(Issue("value", f"'{given}' is not a side.", "design.side", given, "known-side", "left or right"))
    return found
