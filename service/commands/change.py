"""Commands that tell whether it is working: change, trend and phases of one patient, as tables."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Annotated, TypeVar

import typer

from service import settings
from service.commands.change_tables import print_change, print_phases, print_trend
from service.commands.console import AsJson, Database, PatientName, of_patient, out, print_json, told
from service.domain.actor import LOCAL
from service.domain.result_json import plain
from service.usecases.change import Asked, Told, patient_change, patient_phases, patient_trend
from service.usecases.change_clinic import change_rules_of

Measure = Annotated[str, typer.Option(help="One measure: its name, the code of a reading, or the name of a kind.")]
Site = Annotated[str, typer.Option(help="One site, as right-index-pip or index-pip.")]
Day = Annotated[datetime | None, typer.Option(formats=["%Y-%m-%d"])]
Series = Annotated[bool, typer.Option("--series-together", help="Casts of one series are one phase.")]


def change(  # noqa: PLR0913, PLR0917 - the options of a command
    patient: PatientName,
    measure: Measure = "",
    site: Site = "",
    baseline: Annotated[str, typer.Option(help="first-visit, visit-before or last-visit-before.")] = "first-visit",
    day: Day = None,
    until: Day = None,
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """How much each measure changed, against the error of measurement."""
    asked = Asked(measure, site, baseline, day=day_of(day), until=day_of(until))
    with told():
        found = found_of(database, patient, patient_change, asked)
        print_json(plain(found)) if as_json else print_change(out, found)


def trend(  # noqa: PLR0913, PLR0917 - the options of a command
    patient: PatientName,
    measure: Measure = "",
    site: Site = "",
    since: Day = None,
    until: Day = None,
    series: Series = False,
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """How each measure runs, and where it stands: gaining, losing, plateau, at ceiling, or cannot be told."""
    asked = Asked(measure, site, since=day_of(since), until=day_of(until), series=series)
    with told():
        found = found_of(database, patient, patient_trend, asked)
        print_json(plain(found)) if as_json else print_trend(out, found)


def phases(
    patient: PatientName,
    measure: Measure = "",
    site: Site = "",
    until: Day = None,
    series: Series = False,
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """What happened during each orthosis, each regimen, and without any."""
    asked = Asked(measure, site, until=day_of(until), series=series)
    with told():
        found = found_of(database, patient, patient_phases, asked)
        print_json(plain(found)) if as_json else print_phases(out, found)


Answer = TypeVar("Answer", bound=Told)


def found_of(database: str, patient: str, job: Callable[..., Answer], asked: Asked) -> Answer:
    """What a use case tells of a patient today, by the clinic's rules."""
    set_ = settings.load()
    rules, today = change_rules_of(set_.change_file), datetime.now(UTC).astimezone(set_.zone_info or UTC).date()
    return of_patient(database, patient, lambda reader, ident: job(reader, LOCAL, ident, asked, rules, today))


def day_of(day: datetime | None) -> date | None:
    """The day of an option, or None where it was not given."""
    return day.date() if day else None


COMMANDS = {"change": change, "trend": trend, "phases": phases}
