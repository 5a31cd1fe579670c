"""What billers and clinicians send about billing, from JSON; the JSON Schema follows from these forms."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from service.domain.billing.confirmation import Chosen
from service.domain.billing.dossier import STATEMENTS, Delivery, Statement
from service.storage.records import Reader
from service.usecases.billing import Wish
from service.usecases.form import Day, Form, Text
from service.usecases.orthosis_input import PersonForm, one_of
from service.usecases.people import performer

Version = Annotated[str, Field(description="The `version` of the episode as it was seen.")]


class LineForm(Form):
    """One line that the biller chose among the candidates."""

    system: Text
    code: Text
    units: int = 1
    modifiers: list[Text] = []
    why: Annotated[str, Field(description="Why a code that does not fit was chosen.")] = ""
    day: Annotated[Day | None, Field(description="Of which repair, where there are several.")] = None


class ConfirmationForm(Form):
    """What a biller confirms. `included_in` names the charge of the other side that is for both."""

    version: Version
    lines: list[LineForm] = []
    included_in: str = ""

    def made(self) -> Wish:
        """As the record takes it."""
        lines = (
            Chosen(line.system, line.code, line.units, tuple(line.modifiers), line.why, line.day) for line in self.lines
        )
        return Wish(self.version, tuple(lines), self.included_in)


class ReviewForm(Form):
    """Why a confirmation is kept, or taken back."""

    version: Version
    reason: Text


class QuestionForm(Form):
    """The question an episode is returned with."""

    question: Text


class AnswerForm(Form):
    """The answer to it."""

    answer: Text


class DeliveryForm(Form):
    """That an orthosis was handed over. `relation` is how the receiver is related; empty for the patient."""

    on: Day
    quantity: int = 1
    description: str = ""
    address: str = ""
    receiver: str = ""
    relation: str = ""
    signed: bool = False
    instructions: Annotated[bool, Field(description="Instructions on wearing, care and whom to call were given.")] = (
        False
    )
    supplier: str = ""

    def made(self) -> Delivery:
        """As the record takes it."""
        return Delivery(**self.model_dump())


class StatementForm(Form):
    """What a named person states, and the document it stands in."""

    item: Annotated[str, one_of(STATEMENTS)]
    on: Day
    by: PersonForm
    document: Text
    signed: bool = False

    def made(self, reader: Reader) -> tuple[Statement, str]:
        """As the record takes it, with the reference of who states it. Raises `NotFound` for somebody unknown."""
        reference, name = performer(reader, self.by.made())
        return Statement(self.item, self.on, name, self.document, self.signed), reference
