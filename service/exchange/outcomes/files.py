"""From a release to tables and a figure: read, answer, and write a folder that is whole or not there."""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from service.domain.outcomes.answers import Outcomes, outcomes_of
from service.domain.outcomes.figure import figure_of
from service.domain.outcomes.lines import NOTE, Counts, Line, Step, Way, counts_of, one_of_each_place
from service.domain.result_json import plain
from service.errors import Issue, NotFound
from service.exchange.outcomes.days import days_of
from service.exchange.outcomes.readings import measured
from service.exchange.outcomes.source import Source
from service.exchange.outcomes.tables import TABLES, Column
from service.exchange.outcomes.wearings import affected_hands, wearings_of
from service.exchange.release_files import require_free
from service.exchange.views.formats import FORMATS


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: a measure of rows that fit `where`, a milestone or none, and the seed of draws.

    `every_hand` takes in hands that no course, injury, operation or orthosis names.
    """

    measure: str
    where: Mapping[str, str] = field(default_factory=dict)
    milestone: float | None = None
    seed: int = 1
    every_hand: bool = False


@dataclass(frozen=True, slots=True)
class Answered:
    """The answers, the unit of the measure, and what is written about them beside the tables."""

    found: Outcomes
    unit: str
    manifest: dict[str, Any]


def answer(source: Source, question: Question) -> Answered:
    """Compute every answer. Raises `Invalid` for a question that cannot be asked, `NotFound` where no line is left."""
    days = days_of(source)
    read = measured(source, question.measure, question.where, days)
    way = Way([_measured_at_all(source, read.lines)])
    lines = read.lines
    if not question.every_hand:
        hands = affected_hands(source)
        why = "no course, injury, operation or orthosis names the hand"
        lines = way.keep(lines, why, lambda line: (line.patient, line.side) in hands)
    chosen = one_of_each_place(lines)
    if not chosen:
        message = "No reading of the release answers this."
        raise NotFound(Issue("not-found", message, "measure", question.measure, expected="another measure or --where"))
    wearings, dateless = wearings_of(source, days)
    found = outcomes_of(chosen, wearings, read.better, question.milestone, question.seed)
    found = replace(found, steps={"lines": way.steps, **found.steps})
    manifest = {
        "software": f"Hand-therapy record {version('hand-therapy-record')}",
        "question": {**plain(question), "unit": read.unit, "better": read.better},
        "lines": len(chosen),
        "not_used": {
            **read.not_used,
            "lines of a place under other conditions, with fewer visits": len(lines) - len(chosen),
            "regimens without a day": dateless,
        },
        "release": source.manifest,
        "caution": NOTE,
    }
    return Answered(found, read.unit, manifest)


def _measured_at_all(source: Source, lines: Sequence[Line]) -> Step:
    """Whose record has no usable value is known by patient only."""
    steps = source.manifest["flow"]["steps"]
    patients = steps[-1]["remaining"] if steps else source.manifest["flow"]["cohort"]
    counts = counts_of(lines)
    return Step("no usable value of the measure (patients)", Counts(patients - counts.patients, 0, 0), counts)


def write_answers(told: Answered, folder: Path) -> list[str]:
    """Write tables, codebook, figure and manifest into a new folder; the names of its files.

    The figure is a Vega-Lite specification, and an SVG of it where the extra `charts` is installed. Raises `Conflict`
    where there is something of this name.
    """
    require_free(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        for table in TABLES:
            rows = list(table.rows(told.found))
            _csv(beside / f"{table.name}.csv", table.meanings, rows)
        meanings = [(t.name, column, meaning) for t in TABLES for column, meaning in t.meanings.items()]
        names = ("table", "column", "meaning")
        _csv(beside / "codebook.csv", names, [dict(zip(names, each, strict=True)) for each in meanings])
        _figure(told, beside)
        checksums = {each.name: hashlib.sha256(each.read_bytes()).hexdigest() for each in sorted(beside.iterdir())}
        _json(beside / "outcomes.json", {**told.manifest, "files": checksums})
        beside.rename(folder)
    except BaseException:
        shutil.rmtree(beside)
        raise
    return sorted(each.name for each in folder.iterdir())


def _csv(path: Path, names: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> None:
    path.write_bytes(b"".join(FORMATS["csv"].write([Column(name) for name in names], rows, True)))


def _figure(told: Answered, folder: Path) -> None:
    study = told.manifest["release"]["study"]["title"]
    spec = json.dumps(figure_of(told.found, f"{study}: {told.manifest['question']['measure']}", told.unit))
    (folder / "outcomes.vl.json").write_text(spec + "\n", encoding="utf-8")
    try:
        import vl_convert
    except ModuleNotFoundError:
        return
    (folder / "outcomes.svg").write_text(vl_convert.vegalite_to_svg(spec), encoding="utf-8")


def _json(path: Path, content: Mapping[str, Any]) -> None:
    path.write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
