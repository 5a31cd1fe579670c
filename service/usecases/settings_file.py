"""The second file of a backup: the variables that were set, and the files they name, keys among them.

It is JSON: `{"format": "handrecord-settings-1", "at", "variables": {NAME: value}, "files": {NAME: {"name",
"content"}}}`, contents in base64. The address of the database is not in it. Whoever has it can sign tokens in the
service's name.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import re
import shlex
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from service.errors import Conflict, Issue, Malformed

FORMAT = "handrecord-settings-1"
_VARIABLE = re.compile(r"HANDRECORD_[A-Z_]{1,60}")
_PLAIN_NAME = re.compile(r"[A-Za-z0-9_\-][A-Za-z0-9._\-]{0,99}")
VARIABLES = "handrecord.env"


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    content: str


class _Book(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: str
    at: str
    variables: dict[str, str]
    files: dict[str, _File]


def write_settings(file: Path, variables: Mapping[str, str], files: Mapping[str, Path]) -> None:
    """Write the variables, and the content of the files that some of them name, into a new file of the owner's alone.

    Raises `Conflict` if there is a file of that name.
    """
    packed = {
        name: _File(_safe_name(path.name), base64.b64encode(path.read_bytes()).decode()) for name, path in files.items()
    }
    plain = {name: value for name, value in variables.items() if name not in packed}
    book = _Book(FORMAT, datetime.now(UTC).isoformat(), plain, packed)
    _write_new(file, msgspec.json.format(msgspec.json.encode(book), indent=1))


def unpack_settings(file: Path, folder: Path) -> list[str]:
    """Write what a settings file holds into a folder: `handrecord.env` with the variables, and the files beside it.

    Answers the names of the variables. Raises `Malformed` for another file, `Conflict` rather than overwrite anything.
    """
    book = _read(file)
    folder.mkdir(parents=True, exist_ok=True)
    names = [VARIABLES, *(one.name for one in book.files.values())]
    taken = sorted({name for name in names if (folder / name).exists() or names.count(name) > 1})
    if taken:
        message = "The folder has files of these names already; none is overwritten."
        raise Conflict(Issue("conflict", message, "--folder", ", ".join(taken)))
    for one in book.files.values():
        _write_new(folder / one.name, _decoded(one))
    variables = book.variables | {name: str((folder / one.name).resolve()) for name, one in book.files.items()}
    lines = [f"export {name}={shlex.quote(value)}\n" for name, value in sorted(variables.items())]
    _write_new(folder / VARIABLES, "".join(lines).encode())
    return sorted(variables)


def _read(file: Path) -> _Book:
    try:
        book = msgspec.json.decode(file.read_bytes(), type=_Book)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise _no_settings(str(error)) from error
    wrong = [name for name in (*book.variables, *book.files) if not _VARIABLE.fullmatch(name)]
    if book.format != FORMAT or wrong:
        raise _no_settings(f"its format is {book.format}" if not wrong else f"{wrong[0]} is no variable of the record")
    for one in book.files.values():
        _safe_name(one.name)
    return book


def _safe_name(name: str) -> str:
    """A name that stays within the folder it is written into."""
    if not _PLAIN_NAME.fullmatch(name):
        raise _no_settings(f"{json.dumps(name)} is no plain name of a file")
    return name


def _decoded(one: _File) -> bytes:
    try:
        return base64.b64decode(one.content, validate=True)
    except binascii.Error as error:
        raise _no_settings(f"the content of {one.name} is not base64") from error


def _write_new(file: Path, content: bytes) -> None:
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        message = "There is a file of this name; none is overwritten."
        raise Conflict(Issue("conflict", message, "FILE", str(file))) from None
    with os.fdopen(handle, "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())


def _no_settings(why: str) -> Malformed:
    return Malformed(Issue("structure", f"This is no settings file of a backup: {why}.", "FILE", expected=FORMAT))
