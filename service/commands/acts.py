"""Commands that sign visits and put right what was wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service import settings
from service.commands.console import Database, opened, print_json, told
from service.domain.actor import LOCAL
from service.usecases.audit import attended


def sign(
    visit: Annotated[str, typer.Argument(help="The id of the visit's Encounter.")],
    database: Database = "",
) -> None:
    """Sign a visit: its readings are final from then on."""
    from service.usecases.acts.views import signature_json
    from service.usecases.signing import sign_visit

    with told(), opened(database) as records:
        with attended(records, LOCAL), records.write(LOCAL) as writer:
            signed = sign_visit(writer, LOCAL, visit)
        print_json(signature_json(signed))


def act(
    file: Annotated[Path, typer.Argument(help="JSON file that says what is to be put right, and why.")],
    seen: Annotated[str, typer.Option(help="The mark that the dry run gave; without it this is one.")] = "",
    database: Database = "",
) -> None:
    """Correct a reading, or the side or day of a visit; move entries; merge patients; undo an act."""
    from service.exchange.json_form import read_object
    from service.usecases.acts.forms import act_of
    from service.usecases.acts.views import outcome_json

    with told(), opened(database) as records:
        document = read_object(file)
        wanted = act_of({**document, "seen": seen} if seen else document)
        with attended(records, LOCAL):
            outcome = wanted.carried_out(records, LOCAL, settings.load().zone_info)
        print_json(outcome_json(outcome))


def affected(
    observation: Annotated[str, typer.Argument(help="The id of the Observation.")],
    database: Database = "",
) -> None:
    """Where the value of an Observation went: all that rests on it."""
    from service.usecases.acts.resting import affected as find_affected
    from service.usecases.acts.views import affected_parameters

    with told(), opened(database) as records, attended(records, LOCAL), records.read() as reader:
        print_json(affected_parameters(find_affected(reader, LOCAL, observation)))


COMMANDS = {"sign": sign, "act": act, "affected": affected}
