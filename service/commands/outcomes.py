"""Command of research: from a release to outcomes across patients, as tables and a figure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.console import Database, opened, out, told
from service.domain.actor import LOCAL
from service.domain.metric import Missing
from service.domain.outcomes.answers import Outcomes
from service.domain.outcomes.lines import NOTE
from service.usecases.audit import attended

if TYPE_CHECKING:
    from service.exchange.outcomes.files import Answered, Question


def outcomes(  # noqa: PLR0913 - the options of the command
    release: Annotated[
        str, typer.Argument(metavar="RELEASE", help="Id of a release, or the folder it was written to.")
    ],
    *,
    measure: Annotated[
        str, typer.Option(help="total-active-motion, total-passive-motion, or a kind of measurement.")
    ] = "total-active-motion",
    where: Annotated[
        list[str] | None, typer.Option(help="COLUMN=VALUE of the readings, as mode=active; several times.")
    ] = None,
    milestone: Annotated[float | None, typer.Option(help="Also the time until this value is reached.")] = None,
    every_hand: Annotated[bool, typer.Option("--every-hand", help="Hands that nothing names as affected too.")] = False,
    seed: Annotated[int, typer.Option(help="Of the draws behind one interval.")] = 1,
    folder: Annotated[Path, typer.Option("--out", help="Folder to make and write into.")] = Path("outcomes"),
    database: Database = "",
) -> None:
    """Rates by phase and facet, time to a milestone, and pooled single-case effects, over a release."""
    from service.exchange.outcomes.files import Question, write_answers
    from service.exchange.release_files import require_free

    pairs = {name: value for name, _, value in (each.partition("=") for each in where or [])}
    with told():
        require_free(folder)
        found = _answered(release, Question(measure, pairs, milestone, seed, every_hand), database)
        names = write_answers(found, folder)
    _print(found.found, found.unit)
    out.print(f"written: {folder} with {', '.join(names)}", markup=False, soft_wrap=True)
    if "outcomes.svg" not in names:
        out.print("no SVG: the extra 'charts' is not installed", markup=False)


def _answered(release: str, question: Question, database: str) -> Answered:
    from service.exchange.outcomes.files import answer
    from service.exchange.outcomes.source import folder_of_release, kept_release

    if Path(release).is_dir():
        return answer(folder_of_release(Path(release)), question)
    with opened(database) as records, attended(records, LOCAL), records.read() as reader:
        return answer(kept_release(reader, LOCAL, release), question)


def _print(found: Outcomes, unit: str) -> None:
    for question, steps in found.steps.items():
        for step in steps:
            left, rest = step.left_out, step.remaining
            out.print(
                f"{question}: {step.what}: {left.patients} patients, {left.hands} hands, {left.digits} digits "
                f"(remaining {rest.patients}, {rest.hands}, {rest.digits})",
                markup=False, soft_wrap=True,
            )  # fmt: skip
    for each in found.summaries:
        if each.by == "stage":
            mean = each.slope
            said = mean.reason if isinstance(mean, Missing) else f"median {mean.median:+.2f} {unit} a week"
            counts = f"{each.rated.patients} patients, {each.rated.hands} hands, {each.rated.digits} digits"
            out.print(f"{each.group}: {said} ({counts})", markup=False, soft_wrap=True)
    out.print(NOTE, markup=False, soft_wrap=True)


COMMANDS = {"study outcomes": outcomes}
