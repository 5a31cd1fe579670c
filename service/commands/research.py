"""Commands of research: open a study, make a release of it, write a release to files with tables and codebook."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from service.commands.console import Database, opened, out, print_json, told
from service.domain.actor import LOCAL
from service.domain.result_json import plain
from service.usecases.audit import attended

StudyId = Annotated[str, typer.Argument(metavar="STUDY", help="Id of the study.")]


def open_study(
    file: Annotated[Path, typer.Argument(help="JSON file: title, approval, purpose, profile, expires, researchers, …")],
    database: Database = "",
) -> None:
    """Open a study, from a file that says what its approval says."""
    from service.exchange.json_form import read_form
    from service.usecases import studies
    from service.usecases.study_input import StudyForm

    with told(), opened(database) as records, attended(records, LOCAL):
        form = read_form(file, StudyForm)
        with records.write(LOCAL) as writer:
            print_json(plain(studies.open_study(writer, LOCAL, form.made(LOCAL))))


def release(
    study: StudyId,
    criteria: Annotated[
        list[str] | None, typer.Option("--where", help="NAME=VALUE that patients fit, as gender=female; several times.")
    ] = None,
    out_folder: Annotated[Path, typer.Option("--out", help="Folder to make and write into.")] = Path("release"),
    form: Annotated[str, typer.Option("--format", help="Of the tables: csv, ndjson, json or parquet.")] = "csv",
    answered: Annotated[str, typer.Option(help="Reason for letting small classes leave.")] = "",
    database: Database = "",
) -> None:
    """From a study to tables: cohort, release, every shipped table with rows, codebook and manifest."""
    from service.exchange.release_files import require_free, write_release
    from service.exchange.views.formats import format_of
    from service.usecases import cohorts, releases

    pairs = [(name, value) for name, _, value in (each.partition("=") for each in criteria or [])]
    with told(), opened(database) as records, attended(records, LOCAL):
        chosen = format_of(form)
        require_free(out_folder)
        with records.write(LOCAL) as writer:
            cohort = cohorts.define(writer, LOCAL, study, pairs).id
        with records.write(LOCAL) as writer:
            made = releases.make_release(writer, LOCAL, study, releases.Wish(cohort, answered=answered))
        with records.read() as reader:
            names = write_release(reader, LOCAL, made, out_folder, chosen)
    for step in made.manifest["flow"]["steps"]:
        out.print(f"{step['what']}: {step['left_out']} (remaining {step['remaining']})", markup=False)
    out.print(f"release: {made.id}", markup=False)
    out.print(f"written: {out_folder} with {', '.join(names)}", markup=False, soft_wrap=True)
    out.print(json.dumps(made.manifest["classes"]), markup=False)


COMMANDS = {"study open": open_study, "study release": release}
