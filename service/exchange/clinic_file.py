"""The JSON a clinic hands over: its practitioners, its patients with what is known of them, and visits.

{
  "remark": "…",
  "practitioners": [{"system": "…", "value": "…", "family": "…", "given": "…"}],
  "patients": [{
    "system": "…", "value": "…", "family": "…", "given": "…", "birthdate": "1980-03-02", "sex": "female",
    "course": {"since": "2026-02-02", "affected": ["right"], "reference": "left", "dominant": "right", "reason": "…"},
    "parts": [{"side": "right", "site": "index", "state": "absent", "level": "distal-phalanx", "since": "…"},
              {"side": "right", "site": "index-dip", "state": "fused", "angle": 10, "since": "…"}],
    "orthoses": [{"system": "…", "value": "…", "name": "…", "side": "right", "holds": {"ring-pip": 30},
                  "wearing": "hours-a-day", "hours": 8, "removable": "yes", "material": "…",
                  "since": "…", "until": "…"}],
    "injuries": […], "operations": […], "referrals": […], "precautions": […], "goals": [as /patients/… takes them]
  }],
  "visits": [as POST /visits takes them]
}
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal, TypeVar
from zoneinfo import ZoneInfo

from service.domain.orthosis import OrthosisEpisode
from service.errors import Invalid, Issue, Malformed
from service.exchange.json_form import read_form
from service.exchange.row_keys import RowKeys
from service.usecases.clinics import Clinic, PatientOfClinic, PractitionerOfClinic
from service.usecases.course_input import CourseForm, Details, DetailsForm, Hand, PartForm
from service.usecases.form import Day, Form, Text
from service.usecases.imports import VisitOfFile
from service.usecases.visit_input import Visit, visit_of

Made = TypeVar("Made")


class OrthosisForm(Form):
    """An orthosis and how it is worn."""

    system: Text
    value: Text
    name: Text
    side: Hand
    since: Day
    until: Day | None = None
    holds: Mapping[str, Decimal | int | None] = {}
    wearing: Text = "continuous"
    hours: Decimal | int | None = None
    removable: Text = "unknown"
    material: Text = ""

    def made(self) -> OrthosisEpisode:
        """As the record takes it, the patient still to be filled in."""
        return OrthosisEpisode(
            patient="",
            key=(self.system, self.value),
            name=self.name,
            side=self.side,
            holds={part: None if angle is None else Decimal(angle) for part, angle in self.holds.items()},
            wearing=self.wearing,
            hours=None if self.hours is None else Decimal(self.hours),
            removable=self.removable,
            material=self.material,
            since=self.since,
            until=self.until,
        )


class PractitionerForm(Form):
    """Somebody who measures."""

    system: Text
    value: Text
    family: Text
    given: Text = ""


class PatientForm(PractitionerForm, DetailsForm):
    """A patient and what is known beside the readings."""

    birthdate: Day | None = None
    sex: Literal["", "female", "male", "other", "unknown"] = ""
    course: CourseForm | None = None
    parts: list[PartForm] = []
    orthoses: list[OrthosisForm] = []

    @property
    def said(self) -> dict[str, str]:
        """What is said of the patient beside the identifier."""
        born = self.birthdate.isoformat() if self.birthdate else ""
        found = {"family": self.family, "given": self.given, "birthdate": born, "sex": self.sex}
        return {name: answer for name, answer in found.items() if answer}


class ClinicForm(Form):
    """The whole file."""

    remark: str = ""
    practitioners: list[PractitionerForm] = []
    patients: list[PatientForm] = []
    visits: list[dict[str, Any]] = []


def read_clinic(path: Path, zone: ZoneInfo | None) -> Clinic:
    """What a clinic's file states. Raises `Malformed` with every fault of form, each with its place."""
    form = read_form(path, ClinicForm)
    people = [
        PractitionerOfClinic(f"practitioners[{n}]", (p.system, p.value), p.family, p.given)
        for n, p in enumerate(form.practitioners)
    ]
    issues: list[Issue] = []
    patients = [_patient(p, f"patients[{n}]", issues) for n, p in enumerate(form.patients)]
    if issues:
        raise Malformed(*(issue.at(path.name) for issue in issues))
    visits = tuple(_visit(v, f"visits[{n}]", zone) for n, v in enumerate(form.visits))
    return Clinic(tuple(people), tuple(patients), visits)


def _patient(form: PatientForm, place: str, issues: list[Issue]) -> PatientOfClinic:
    parts = [_attempt(part.made, f"{place}.parts[{n}]", issues) for n, part in enumerate(form.parts)]
    details = _attempt(form.details, place, issues)
    return PatientOfClinic(
        place,
        (form.system, form.value),
        form.said,
        form.course.made() if form.course else None,
        tuple(part for part in parts if part),
        tuple(orthosis.made() for orthosis in form.orthoses),
        details or Details(),
    )


def _attempt(make: Callable[[], Made], place: str, issues: list[Issue]) -> Made | None:
    try:
        return make()
    except Invalid as error:
        issues += [issue.at(place) for issue in error.issues]
        return None


def _visit(document: Mapping[str, Any], place: str, zone: ZoneInfo | None) -> VisitOfFile:
    issues: list[Issue] = []
    visit = _attempt(lambda: visit_of(document, zone), place, issues)
    return VisitOfFile(_imported(visit) if visit else None, (place,), tuple(issues))


def _imported(visit: Visit) -> Visit:
    """The visit with a key for each of its readings that has none."""
    keys = RowKeys("", visit.key[1] if visit.key else "")
    readings = []
    for reading in visit.readings:
        entry = reading.entry
        key = entry.key or keys.next(entry.kind, entry.side, entry.site)
        readings.append(replace(reading, entry=replace(entry, key=key)))
    return replace(visit, readings=tuple(readings), imported=True)
