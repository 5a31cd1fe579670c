"""The mark of a dry run: what was asked for, what it was computed on, and what it would write.

Whoever carries an act out says by the mark what they looked at. Another act, other parameters, or another content of
anything touched give another mark.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

from service.errors import Gone
from service.fhir import text
from service.fhir.acts import Versions
from service.storage.records import Reader
from service.storage.versions import without_stamp
from service.usecases.acts.resting import Resting

_KEY = re.compile(r"urn:uuid:[0-9a-f-]{36}")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)")


def mark_of(reader: Reader, asked: str, versions: Versions, resting: Iterable[Resting], since: datetime) -> str:
    """The mark of an act that was asked for so (its JSON) and begun at `since`; `versions` are those it changed.

    Ids and keys that are made anew every time, and the times at which it was written, are left out.
    """
    told = {f"{kind}/{ident}/{before}" for (kind, ident), (before, _) in versions.items() if before}
    told |= {f"{each.stored.reference}/{each.stored.version}" for each in resting}
    written = _written(reader, versions, since)
    whole = "\n".join([asked, *sorted(told), *sorted(written)])
    return sha256(whole.encode()).hexdigest()[:32]


def _written(reader: Reader, versions: Versions, since: datetime) -> list[str]:
    known = "\n".join(_body(reader, key, before) for key, (before, _) in versions.items() if before)
    made = [ident for (_, ident), (before, _) in versions.items() if not before]
    fresh = re.compile("|".join(map(re.escape, made))) if made else None
    until = datetime.now(UTC)

    def plain(body: str) -> str:
        named = fresh.sub("new", body) if fresh else body
        keyed = _KEY.sub(lambda key: key[0] if key[0] in known else "new", named)
        timed = _INSTANT.sub(lambda at: "now" if since <= datetime.fromisoformat(at[0]) <= until else at[0], keyed)
        # Put in order only now: by its ids, made anew each time, the order would be another each time.
        return _settled(text.parse(timed)) if timed.startswith("{") else timed

    return [plain(_body(reader, key, after)) for key, (_, after) in versions.items()]


def _body(reader: Reader, key: tuple[str, str], version: int) -> str:
    try:
        stored = reader.version(*key, version)
    except Gone:
        return "/".join((*key, "deleted"))
    return text.dump(without_stamp(stored.resource)).decode()


def _settled(value: Any) -> str:
    """A document as text in one order, whatever the order of its elements and of its lists."""
    return text.dump({"of": _sorted(value)}).decode()


def _sorted(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _sorted(value[name]) for name in sorted(value)}
    if isinstance(value, list):
        return sorted(map(_sorted, value), key=lambda each: text.dump({"of": each}))
    return value
