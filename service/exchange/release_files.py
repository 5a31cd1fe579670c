"""A release as a folder of files: resources, tables, codebook and manifest."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path

from service.domain.actor import Actor
from service.errors import Conflict, Issue
from service.exchange.views.codebook import codebook
from service.exchange.views.formats import Format
from service.exchange.views.runnable import Runnable
from service.exchange.views.shipped import tables
from service.storage.records import Reader
from service.storage.research import Kept
from service.usecases import releases


def write_release(reader: Reader, actor: Actor, made: Kept, folder: Path, chosen: Format) -> list[str]:
    """Write a release into a folder that is not there yet; the names of its files.

    Everything is written beside it first: a folder of this name is whole. Raises `Conflict` where there is one.
    """
    require_free(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        for file in made.manifest["files"]:
            (beside / file["name"]).write_bytes(releases.file_of(reader, actor, made.id, file["name"]))
        with_rows = [name for name in tables() if _table(reader, actor, made, beside, name, chosen)]
        _json(beside / "codebook.json", codebook(tables()[name] for name in with_rows))
        _json(beside / "manifest.json", made.manifest)
        beside.rename(folder)
    except BaseException:
        shutil.rmtree(beside)
        raise
    return sorted(each.name for each in folder.iterdir())


def require_free(folder: Path) -> None:
    """Raise `Conflict` where there is something of this name."""
    if folder.exists():
        raise Conflict(Issue("conflict", "The folder is there already.", "--out", str(folder), expected="a new name"))


def _table(reader: Reader, actor: Actor, made: Kept, folder: Path, name: str, chosen: Format) -> bool:
    """Write a table, if it has rows."""
    runnable = Runnable.of(tables()[name])
    rows = list(runnable.rows(releases.resources_of(reader, actor, made.id, runnable.kind)))
    if rows:
        (folder / f"{name}.{chosen.suffix}").write_bytes(b"".join(chosen.write(runnable.columns, rows, True)))
    return bool(rows)


def _json(path: Path, content: object) -> None:
    path.write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
