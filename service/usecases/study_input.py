"""A study as it is sent, or stands in a file."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Literal

from pydantic import Field

from service.domain.actor import Actor
from service.domain.study import DEFAULT_K, Study
from service.fhir.quasi_identifiers import QUASI
from service.usecases.form import Day, Form, Text


class StudyForm(Form):
    """A study as its approval describes it."""

    title: Text
    approval: Text = Field(description="What the approving body calls it.", examples=["EC-2026-17"])
    purpose: Text
    consent_basis: Text = Field(description="On what ground records may be used.", examples=["broad consent"])
    profile: Literal["S", "L"] = Field(description="S: no dates; L: limited set, dates moved by whole weeks.")
    agreement: str = Field("", description="The data use agreement; L needs one.")
    expires: Day
    researchers: list[Text] = Field(description="Ids of those who may use it, as their tokens name them.")
    quasi: list[Text] = Field(
        default_factory=list, description="What a person might be known by: " + ", ".join(QUASI) + "."
    )
    k: int = Field(DEFAULT_K, description="Persons with the same answers that there must be at least.")

    def made(self, actor: Actor) -> Study:
        """As the use cases take it."""
        given = self.model_dump()
        lists = {name: tuple(given[name]) for name in ("researchers", "quasi")}
        return Study(**{**given, **lists}, id="", opened_by=actor.id, opened_at=datetime.now(UTC))
