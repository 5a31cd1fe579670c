"""Acts as they are asked for, from JSON: the one reader for the web and for the command line."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from json import dumps
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from service.domain.actor import Actor
from service.domain.clock import zone_of
from service.errors import Issue, Malformed
from service.storage.records import Records
from service.usecases.acts.corrections import correct_date, correct_reading, correct_side
from service.usecases.acts.deed import Deed, Outcome, Terms, carry_out
from service.usecases.acts.merges import merge
from service.usecases.acts.moves import move, require_something
from service.usecases.acts.undoing import undo
from service.usecases.form import Day, Form, Text, filled
from service.usecases.visit_input import Person, reading_of


class ActForm(Form):
    """What every act says: why; the mark of the dry run; and why what the record asks about is right."""

    reason: Annotated[Text, Field(description="Why; it stands in the Provenance of the act.")]
    seen: Annotated[
        str, Field(description="The mark that the dry run gave. Without it this is a dry run, and changes nothing.")
    ] = ""
    confirmed: Annotated[str, Field(description="The reason for accepting what the record asked about.")] = ""

    @property
    def terms(self) -> Terms:
        """As the record takes them."""
        asked = dumps(self.model_dump(mode="json", exclude={"seen"}), sort_keys=True)
        return Terms(self.reason, self.seen.strip(), self.confirmed.strip(), asked)

    @abstractmethod
    def carried_out(self, records: Records, actor: Actor, zone: ZoneInfo | None) -> Outcome:
        """What the act comes to."""


class CorrectReading(ActForm):
    """State one reading anew: a wrong value keeps its id, a wrong part is withdrawn and replaced."""

    act: Literal["correct-reading"]
    observation: Annotated[Text, Field(description="The id of its Observation.")]
    reading: Annotated[dict[str, Any], Field(description="The reading as it should have been, as in a visit.")]

    def carried_out(self, records: Records, actor: Actor, zone: ZoneInfo | None) -> Outcome:
        given = reading_of(self.reading, "reading", zone)
        return carry_out(
            records, actor, "correction", self.terms, lambda deed: correct_reading(deed, self.observation, given)
        )


class CorrectSide(ActForm):
    """Put the readings of a visit to the other side."""

    act: Literal["correct-side"]
    visit: Annotated[Text, Field(description="The id of its Encounter.")]
    readings: Annotated[list[Text], Field(description="Ids of Observations, where not all were wrong.")] = []

    def carried_out(self, records: Records, actor: Actor, zone: ZoneInfo | None) -> Outcome:
        return carry_out(
            records, actor, "correction", self.terms, lambda deed: correct_side(deed, self.visit, self.readings)
        )


class CorrectDate(ActForm):
    """Move a visit to the day it was on."""

    act: Literal["correct-date"]
    visit: Annotated[Text, Field(description="The id of its Encounter.")]
    date: Annotated[Day, Field(description="The day it was on.")]
    zone: Annotated[str, Field(description="IANA time zone of the clinic, where the service has none set.")] = ""

    def carried_out(self, records: Records, actor: Actor, zone: ZoneInfo | None) -> Outcome:
        local = zone_of(self.zone) if self.zone else zone
        return carry_out(
            records, actor, "correction", self.terms, lambda deed: correct_date(deed, self.visit, self.date, local)
        )


class PatientForm(Form):
    """A patient, by resource id or by identifier (system and value)."""

    id: str = ""
    system: str = ""
    value: str = ""

    def made(self) -> Person:
        """As the record looks people up."""
        return Person(self.id, (self.system, self.value) if self.system and self.value else None)


class Move(ActForm):
    """Move visits and orthosis episodes to the patient whose they were."""

    act: Literal["move"]
    to: PatientForm
    visits: Annotated[list[Text], Field(description="Ids of Encounters.")] = []
    orthosis_episodes: Annotated[list[Text], Field(description="Ids of orthosis episodes.")] = []

    def carried_out(self, records: Records, actor: Actor, zone: ZoneInfo | None) -> Outcome:
        require_something(self.visits, self.orthosis_episodes)

        def do(deed: Deed) -> None:
            move(deed, self.to.made(), self.visits, self.orthosis_episodes)

        return carry_out(records, actor, "move", self.terms, do)


class Merge(ActForm):
    """Make the record of one patient part of another's."""

    act: Literal["merge"]
    keep: Annotated[Text, Field(description="The id of the Patient whose record is kept.")]
    give_up: Annotated[Text, Field(description="The id of the Patient whose record becomes part of that one.")]

    def carried_out(self, records: Records, actor: Actor, zone: ZoneInfo | None) -> Outcome:
        return carry_out(records, actor, "merge", self.terms, lambda deed: merge(deed, self.keep, self.give_up))


class Undo(ActForm):
    """Undo an act, an unmerging among them."""

    act: Literal["undo"]
    undone: Annotated[Text, Field(description="The id of the act, which is that of its Provenance.")]

    def carried_out(self, records: Records, actor: Actor, zone: ZoneInfo | None) -> Outcome:
        return undo(records, actor, self.undone, self.terms)


FORMS: Mapping[str, type[ActForm]] = {
    "correct-reading": CorrectReading,
    "correct-side": CorrectSide,
    "correct-date": CorrectDate,
    "move": Move,
    "merge": Merge,
    "undo": Undo,
}
"""What each act is asked for by."""


def act_of(document: Mapping[str, Any]) -> ActForm:
    """The act a JSON document asks for. Raises `Malformed`."""
    form = FORMS.get(str(document.get("act")))
    if form is None:
        message = "The act is not one that the record knows."
        expected = "one of " + ", ".join(FORMS)
        raise Malformed(Issue("structure", message, "act", str(document.get("act", "")), "known-act", expected))
    return filled(document, form)
