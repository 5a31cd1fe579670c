"""Commands that tell what a course came to, and that acknowledge a review point."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Annotated, TypeVar

import typer

from service import settings
from service.commands.change import Day, Measure, Series, Site, day_of, found_of
from service.commands.console import AsJson, Database, PatientName, opened, out, print_json, told
from service.commands.follow_up_tables import print_course, print_nerves, print_response, print_review
from service.domain.actor import LOCAL
from service.domain.result_json import plain
from service.storage.stored import Stored
from service.usecases.audit import attended
from service.usecases.change import Asked, Told
from service.usecases.change_clinic import change_rules_of
from service.usecases.follow_up import course_in_short, nerve_follow_up, orthosis_response
from service.usecases.people import find_patient
from service.usecases.review import acknowledge, review_points
from service.usecases.visit_input import Person

Answer = TypeVar("Answer", bound=Told)


def _print(
    database: str, patient: str, job: Callable[..., Answer], asked: Asked, printed: Callable[..., None], as_json: bool
) -> None:
    with told():
        found = found_of(database, patient, job, asked)
        print_json(plain(found)) if as_json else printed(out, found)


def response(  # noqa: PLR0913, PLR0917 - the options of a command
    patient: PatientName,
    measure: Measure = "",
    site: Site = "",
    since: Day = None,
    until: Day = None,
    series: Series = False,
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """Gains in the orthosis, just out of it, and free, side by side; what carries over, and what is left."""
    asked = Asked(measure, site, since=day_of(since), until=day_of(until), series=series)
    _print(database, patient, orthosis_response, asked, print_response, as_json)


def course(
    patient: PatientName,
    measure: Measure = "",
    site: Site = "",
    until: Day = None,
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """A course in short: baseline, best, last, goal, milestones, visits a week, rate beside the time before."""
    _print(database, patient, course_in_short, Asked(measure, site, until=day_of(until)), print_course, as_json)


def nerves(
    patient: PatientName, site: Site = "", until: Day = None, as_json: AsJson = False, database: Database = ""
) -> None:
    """Each nerve from its repair on: its sign, and its zones by monofilament."""
    _print(database, patient, nerve_follow_up, Asked(site=site, until=day_of(until)), print_nerves, as_json)


def points(
    patient: PatientName,
    mark: Annotated[str, typer.Option("--acknowledge", help="The mark of a point that was seen.")] = "",
    note: Annotated[str, typer.Option(help="What there is to say about it.")] = "",
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """What the numbers of a patient show that nobody has acknowledged yet, safety first."""
    if mark:
        with told():
            stored = _acknowledged(database, patient, mark, note)
            out.print(f"Acknowledged: {stored.reference}. The point stays quiet until something new.")
    _print(database, patient, review_points, Asked(), print_review, as_json)


def _acknowledged(database: str, patient: str, mark: str, note: str) -> Stored:
    set_ = settings.load()
    rules, today = change_rules_of(set_.change_file), _today()
    system, bar, value = patient.partition("|")
    named = Person(identifier=(system, value)) if bar else Person(id=patient)
    with opened(database) as records, attended(records, LOCAL), records.write(LOCAL) as writer:
        return acknowledge(writer, LOCAL, find_patient(writer, named).id, mark, note, rules, today)


def _today() -> date:
    return datetime.now(UTC).astimezone(settings.load().zone_info or UTC).date()


COMMANDS = {
    "orthosis-response": response,
    "course-summary": course,
    "nerve-follow-up": nerves,
    "review-points": points,
}
