"""Commands about one patient, and about the clinic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service import settings
from service.commands.console import AsJson, Database, PatientName, of_patient, opened, out, print_json, told
from service.domain.actor import LOCAL
from service.domain.result_json import plain
from service.printing import print_orthoses, print_summary
from service.usecases.audit import attended
from service.usecases.orthosis_clinic import clinic_of
from service.usecases.summaries import summary_of


def summary(
    patient: PatientName,
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """What a clinician wants to see of one patient: motion, grip and touch, now and at the start."""
    from service.domain.summary import as_json as to_json

    with told():
        found = of_patient(database, patient, lambda reader, ident: summary_of(reader, LOCAL, ident))
        print_json(to_json(found)) if as_json else print_summary(out, found)


def orthoses(
    patient: PatientName,
    as_json: AsJson = False,
    database: Database = "",
) -> None:
    """A patient's orthoses: what is worn now and since when, what is due and why."""
    from service.usecases.orthosis_views import Moment
    from service.usecases.orthosis_views import of_patient as overview

    with told():
        clinic, moment = clinic_of(settings.load().orthosis_file), Moment.present(settings.load().zone_info)
        found = of_patient(database, patient, lambda reader, ident: overview(reader, LOCAL, ident, clinic, moment))
        print_json(found) if as_json else print_orthoses(out, found)


def orthosis(
    episode: Annotated[str, typer.Argument(help="The episode's id, as `handrecord orthoses` shows it.")],
    events: Annotated[
        Path | None, typer.Option(help="JSON file of events that happened, to record first: all, or none.")
    ] = None,
    database: Database = "",
) -> None:
    """One orthosis episode as JSON: its events, dose, safety texts, and what its report lacks."""
    from service.exchange.json_form import read_form
    from service.usecases.orthoses import read_episode, record
    from service.usecases.orthosis_input import EventsForm
    from service.usecases.orthosis_views import Moment, full

    with told(), opened(database) as records:
        zone = settings.load().zone_info
        clinic, moment = clinic_of(settings.load().orthosis_file), Moment.present(zone)
        if events:
            form = read_form(events, EventsForm)
            with attended(records, LOCAL), records.write(LOCAL) as writer:
                record(writer, LOCAL, episode, form.made(writer, zone), after=form.after)
        with attended(records, LOCAL), records.read() as reader:
            found = full(reader, read_episode(reader, LOCAL, episode), clinic, moment)
        print_json(found)


def repeatability(database: Database = "") -> None:
    """The clinic's own measurement error, from readings that were marked as repeats."""
    from service.usecases.metrics import repeatability_of

    with told(), opened(database) as records, attended(records, LOCAL), records.read() as reader:
        print_json({"repeatability": plain(repeatability_of(reader, LOCAL))})


COMMANDS = {"summary": summary, "orthoses": orthoses, "orthosis": orthosis, "repeatability": repeatability}
