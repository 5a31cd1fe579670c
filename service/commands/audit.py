"""Commands about the trail of who did what."""

from __future__ import annotations

import typer

from service.commands.console import Database, opened, out, told


def verify(database: Database = "") -> None:
    """Find removal or alteration in the trail of who did what."""
    with told(), opened(database) as records, records.read() as reader:
        verdict = reader.verify_events()
    out.print(f"{verdict.events} events, {len(verdict.faults)} faults")
    heads = [f"head of chain {chain}: {length} {link}" for chain, (length, link) in sorted(verdict.heads.items())]
    for line in (*heads, *(f"fault: {fault}" for fault in verdict.faults)):
        out.print(line, markup=False, soft_wrap=True)
    if verdict.faults:
        raise typer.Exit(1)


COMMANDS = {"audit verify": verify}
