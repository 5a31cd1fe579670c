"""A release to compute from: one that is kept in the record, or a folder of its files. Both give the same rows."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.domain.actor import Actor
from service.errors import Conflict, Issue, Malformed, NotFound
from service.exchange.views.runnable import Runnable
from service.exchange.views.shipped import find_table
from service.fhir import text
from service.fhir.text import Json
from service.storage.records import Reader
from service.usecases import releases

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Source:
    """The manifest of a release, and its files by name."""

    manifest: Json
    read: Callable[[str], bytes]

    def rows(self, name: str) -> Iterator[Row]:
        """The rows of a shipped table over the release; none where the release has no such resource.

        Raises `NotFound`, and `Conflict` for a file that is not the one of its manifest.
        """
        runnable = Runnable.of(find_table(name))
        listed = {each["name"]: each["sha256"] for each in self.manifest["files"]}
        file = f"{runnable.kind}.ndjson"
        if file not in listed:
            return
        body = self.read(file)
        if hashlib.sha256(body).hexdigest() != listed[file]:
            message = "The file is not the one of the release: its checksum differs from the manifest."
            raise Conflict(Issue("conflict", message, file, expected=listed[file]))
        yield from runnable.rows(text.parse(line) for line in body.splitlines())


def kept_release(reader: Reader, actor: Actor, ident: str) -> Source:
    """A release in the record, for whoever may use its study. Raises `NotFound`, `Forbidden`, `Conflict`."""
    found = releases.release_of(reader, actor, ident)
    return Source(found.manifest, lambda name: releases.file_of(reader, actor, ident, name))


def folder_of_release(folder: Path) -> Source:
    """The folder that a release was written to. Raises `NotFound` where there is no manifest, `Malformed`."""
    try:
        manifest = text.parse((folder / "manifest.json").read_bytes())
    except FileNotFoundError:
        message = "There is no manifest.json: this is no folder of a release."
        raise NotFound(Issue("not-found", message, "release", str(folder))) from None
    if not isinstance(manifest.get("files"), list) or "flow" not in manifest:
        message = "This manifest is not that of a release."
        raise Malformed(Issue("structure", message, str(folder / "manifest.json"), expected="files and flow"))

    def read(name: str) -> bytes:
        try:
            return (folder / name).read_bytes()
        except FileNotFoundError:
            message = "A file that the manifest names is not there."
            raise NotFound(Issue("not-found", message, str(folder / name))) from None

    return Source(manifest, read)
