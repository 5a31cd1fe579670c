"""What an operator types. Each module declares its commands as `COMMANDS`: name, and the function behind it.

A name of two words is a command of a group, and the group needs its line in `GROUPS`. The order here is the order of
`handrecord --help`.
"""

from __future__ import annotations

from types import ModuleType

import typer

from service import settings
from service.commands import (
    acts,
    audit,
    billing,
    change,
    definitions,
    entering,
    erasing,
    exports,
    follow_up,
    keeping,
    outcomes,
    patients,
    research,
    serving,
    tables,
)
from service.commands.console import told
from service.usecases.findings import use_findings

MODULES: tuple[ModuleType, ...] = (
    serving,
    entering,
    patients,
    change,
    follow_up,
    acts,
    billing,
    tables,
    research,
    outcomes,
    exports,
    definitions,
    audit,
    erasing,
    keeping,
)
GROUPS = {
    "audit": "The trail of who did what.",
    "billing": "Confirming orthosis episodes for billing.",
    "erasure": "What must go: two people, and nothing is left.",
    "hold": "Legal holds: what must stay.",
    "study": "Research: what may leave, for whom, and what has left.",
}

app = typer.Typer(
    name="handrecord",
    help="Hand-therapy measurements and orthosis episodes as coded, validated FHIR R4.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


@app.callback()
def prepared() -> None:
    """Hand-therapy measurements and orthosis episodes as coded, validated FHIR R4."""
    with told():
        use_findings(settings.load().findings_file)


def _install() -> None:
    groups = {name: typer.Typer(help=says, no_args_is_help=True) for name, says in GROUPS.items()}
    for module in MODULES:
        for name, command in module.COMMANDS.items():
            group, space, own = name.partition(" ")
            (groups[group] if space else app).command(own or group)(command)
    for name, group in groups.items():
        app.add_typer(group, name=name)


_install()
