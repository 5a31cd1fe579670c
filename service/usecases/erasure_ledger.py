"""The ledger of erasures: a file kept apart from backups, so that a restore does not bring back what was erased.

It is JSON: `{"format": "handrecord-erasures-1", "erasures": [{"id", "at", "target", "reason", "taken"}]}`; `taken`
lists type and id of every resource that went. Nothing else of them is in it.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from service.errors import Issue, Malformed
from service.fhir.erasing import Key
from service.storage.records import Reader

FORMAT = "handrecord-erasures-1"


class _Line(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    id: str
    at: str
    target: str
    reason: str
    taken: tuple[str, ...]


class _Book(msgspec.Struct, forbid_unknown_fields=True):
    format: str
    erasures: list[_Line]


@dataclass(frozen=True, slots=True)
class Entry:
    """One erasure of a ledger: what was asked for, why and when (ISO 8601), and all that went."""

    id: str
    at: str
    target: Key
    reason: str
    taken: tuple[Key, ...]


def write_ledger(reader: Reader, file: Path) -> int:
    """Add to the file what the record has erased and the file does not know; answers how many it holds.

    The file is replaced whole, or not at all. Raises `Malformed` for one that is no ledger.
    """
    known = {line.id: line for line in _lines(file)} if file.exists() else {}
    for one in reader.keeping.erasures("erased"):
        at = one.decided_at.isoformat() if one.decided_at else ""
        taken = tuple("/".join(key) for key in reader.keeping.tombs(one.id))
        known.setdefault(one.id, _Line(one.id, at, "/".join(one.target), one.reason, taken))
    lines = sorted(known.values(), key=lambda line: (line.at, line.id))
    replace_file(file, msgspec.json.format(msgspec.json.encode(_Book(FORMAT, lines)), indent=1))
    return len(lines)


def read_ledger(file: Path) -> list[Entry]:
    """The erasures of a ledger, the first first. Raises `Malformed` for what is no ledger."""
    return [
        Entry(line.id, line.at, _key(line.target), line.reason, tuple(map(_key, line.taken))) for line in _lines(file)
    ]


def replace_file(file: Path, content: bytes) -> None:
    """Write a file that only its owner may read, so that it is there whole or as it was before."""
    part = file.with_name(f"{file.name}.part")
    part.unlink(missing_ok=True)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    part.replace(file)


def _lines(file: Path) -> list[_Line]:
    try:
        book = msgspec.json.decode(file.read_bytes(), type=_Book)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise _no_ledger(str(error)) from error
    if book.format != FORMAT:
        raise _no_ledger(f"its format is {book.format}")
    return book.erasures


def _key(written: Any) -> Key:
    kind, slash, ident = str(written).partition("/")
    if not slash:
        raise _no_ledger(f"{written} names no resource")
    return kind, ident


def _no_ledger(why: str) -> Malformed:
    return Malformed(Issue("structure", f"This is no ledger of erasures: {why}.", "ledger", expected=FORMAT))
