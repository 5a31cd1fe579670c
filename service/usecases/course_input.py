"""A course of therapy and what belongs to it, from JSON: the one reader for the web and for a clinic's file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from service.domain.anatomy import PartState, State, site
from service.domain.course import (
    Course,
    Injury,
    Operation,
    Referral,
    require_lawful_injury,
    require_lawful_operation,
    require_lawful_referral,
)
from service.domain.goals import Goal, better_of, require_lawful_goal
from service.domain.measurement import Quantity
from service.domain.picture import Picture, require_lawful_picture
from service.domain.precautions import Precaution, require_lawful_precaution
from service.errors import Invalid, Issue
from service.usecases.form import Day, Form, Text

Hand = Literal["left", "right"]
Number = Annotated[Decimal | int, Field(allow_inf_nan=False)]


class CourseForm(Form):
    """A course of therapy."""

    since: Day
    affected: list[Hand]
    reference: Hand | None = None
    dominant: Hand | None = None
    reason: Text = ""

    def made(self) -> Course:
        """As the record takes it, the patient still to be filled in."""
        return Course("", self.since, tuple(self.affected), self.reference, self.dominant, self.reason)


class PartForm(Form):
    """What state a part is in."""

    side: Hand
    site: Text
    state: State
    since: Day
    level: Text = ""
    angle: Number | None = None

    def made(self) -> PartState:
        """As the record takes it. Raises `Invalid` for a site that is none."""
        angle = None if self.angle is None else Decimal(self.angle)
        return PartState(site(self.side, self.site), self.state, self.since, self.level, angle)


class InjuryForm(Form):
    """An injury, or the illness that is treated."""

    what: Text
    side: Hand
    on: Day | None = None
    mechanism: Text = ""
    digits: list[Text] = []
    zone: Text = ""

    def made(self) -> Injury:
        """As the record takes it. Raises `Invalid` for an unlawful one."""
        injury = Injury(self.what, self.side, self.on, self.mechanism, tuple(self.digits), self.zone)
        require_lawful_injury(injury)
        return injury


class OperationForm(Form):
    """An operation."""

    what: Text
    side: Hand
    on: Day
    structures: list[Text] = []
    digits: list[Text] = []
    by: Text = ""
    nerve_level: Text = ""

    def made(self) -> Operation:
        """As the record takes it. Raises `Invalid` for an unlawful one."""
        operation = Operation(
            self.what, self.side, self.on, tuple(self.structures), tuple(self.digits), self.by, self.nerve_level
        )
        require_lawful_operation(operation)
        return operation


class ReferralForm(Form):
    """A referral, with what it tells by item."""

    on: Day
    by: Text = ""
    tells: dict[str, Text] = {}
    not_applicable: list[Text] = []

    def made(self) -> Referral:
        """As the record takes it. Raises `Invalid` for an item that a referral does not have."""
        referral = Referral(self.on, self.by, self.tells, tuple(self.not_applicable))
        require_lawful_referral(referral)
        return referral


class PrecautionForm(Form):
    """A precaution, with the parts of one side it is about and what it names there."""

    what: Text
    by: Text
    side: Hand
    sites: list[Text]
    since: Day
    until: Day | None = None
    kinds: list[Text] = []
    motions: list[Text] = []
    modes: list[Text] = []

    def made(self) -> Precaution:
        """As the record takes it. Raises `Invalid` for an unlawful one."""
        precaution = Precaution(
            what=self.what,
            by=self.by,
            since=self.since,
            places=tuple(site(self.side, each) for each in self.sites),
            until=self.until,
            kinds=tuple(self.kinds),
            motions=tuple(self.motions),
            modes=tuple(self.modes),
        )
        require_lawful_precaution(precaution)
        return precaution


class CourseEndForm(Form):
    """The last day of a course of therapy."""

    until: Day


class EndForm(Form):
    """The last day on which a precaution holds, and who said so."""

    until: Day
    by: Text


class TargetForm(Form):
    """An amount with its unit."""

    value: Number
    unit: Text


class GoalForm(Form):
    """A goal: the code of a reading or the name of a metric, where it is measured, and the target."""

    what: Text
    whose: Literal["patient", "clinician"]
    target: TargetForm
    code: Text = ""
    metric: Text = ""
    conditions: dict[str, Text] = {}
    side: Literal["left", "right", "both", ""] = ""
    site: Text = "person"
    due: Day | None = None
    since: Day | None = None
    better: Literal["more", "less"] | None = None
    activity: Text = ""

    def made(self) -> Goal:
        """As the record takes it. Raises `Invalid` for an unlawful one."""
        goal = Goal(
            what=self.what,
            whose=self.whose,
            code=self.code,
            site=site(self.side, self.site),
            target=Quantity(Decimal(self.target.value), self.target.unit),
            due=self.due,
            since=self.since,
            better=self.better or (better_of(self.code) if self.code else "unstated"),
            activity=self.activity,
            metric=self.metric,
            conditions=self.conditions,
        )
        require_lawful_goal(goal)
        return goal


class PictureForm(Form):
    """A photograph or video in the clinic's own store."""

    form: Literal["photo", "video"]
    side: Hand
    site: Text
    view: Text
    taken: Day
    url: Text
    content_type: Text
    purposes: list[Text]
    by: Text = ""
    title: Text = ""

    def made(self) -> Picture:
        """As the record takes it. Raises `Invalid` for an unlawful one."""
        picture = Picture(
            form=self.form,
            site=site(self.side, self.site),
            view=self.view,
            taken=self.taken,
            url=self.url,
            content_type=self.content_type,
            purposes=tuple(self.purposes),
            by=self.by,
            title=self.title,
        )
        require_lawful_picture(picture)
        return picture


@dataclass(frozen=True, slots=True)
class Details:
    """What belongs to a course beside its sides and parts."""

    injuries: tuple[Injury, ...] = ()
    operations: tuple[Operation, ...] = ()
    referrals: tuple[Referral, ...] = ()
    precautions: tuple[Precaution, ...] = ()
    goals: tuple[Goal, ...] = ()
    pictures: tuple[Picture, ...] = ()


class DetailsForm(Form):
    """What belongs to a course, in lists."""

    injuries: list[InjuryForm] = []
    operations: list[OperationForm] = []
    referrals: list[ReferralForm] = []
    precautions: list[PrecautionForm] = []
    goals: list[GoalForm] = []
    pictures: list[PictureForm] = []

    def details(self) -> Details:
        """As the record takes it. Raises `Invalid` with every unlawful one and its place."""
        faults = [issue for name in DetailsForm.model_fields for issue in _faults(name, getattr(self, name))]
        if faults:
            raise Invalid(*faults)
        return Details(
            tuple(each.made() for each in self.injuries),
            tuple(each.made() for each in self.operations),
            tuple(each.made() for each in self.referrals),
            tuple(each.made() for each in self.precautions),
            tuple(each.made() for each in self.goals),
            tuple(each.made() for each in self.pictures),
        )


Detail = InjuryForm | OperationForm | ReferralForm | PrecautionForm | GoalForm | PictureForm
DETAILS: Mapping[str, type[Detail]] = {
    "injuries": InjuryForm,
    "operations": OperationForm,
    "referrals": ReferralForm,
    "precautions": PrecautionForm,
    "goals": GoalForm,
    "pictures": PictureForm,
}
"""The form of each thing that is added to a course, by the last part of its address."""


def _faults(name: str, forms: list[Detail]) -> Iterator[Issue]:
    for n, form in enumerate(forms):
        try:
            form.made()
        except Invalid as error:
            yield from (issue.at(f"{name}[{n}]") for issue in error.issues)
