"""Commands about what the service publishes of itself."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.commands.console import out, told


def schemas(
    folder: Annotated[Path, typer.Argument(help="Where to write them.")] = Path("schemas"),
    check: Annotated[bool, typer.Option(help="Write nothing; fail if a file is stale.")] = False,
    package: Annotated[
        Path | None, typer.Option(help="Write the definitions as one installable FHIR package (.tgz) instead.")
    ] = None,
) -> None:
    """Write the generated FHIR definitions and the OpenAPI document."""
    if package is not None:
        _write_package(package)
        return
    from service.web.schemas import stale, write

    with told():
        changed = stale(folder) if check else write(folder)
    for name in changed:
        out.print(f"{'stale' if check else 'written'}: {name}")
    if check and changed:
        raise typer.Exit(1)


def _write_package(path: Path) -> None:
    from service.fhir.package import write

    with told():
        count = write(path)
    out.print(f"written: {path} with {count} definitions")


COMMANDS = {"schemas": schemas}
