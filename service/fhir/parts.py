"""Parts of resources as bytes, to know them again: the same codings stand in resource after resource.

Two parts have the same bytes only if they are the same to the type of every value and the order of every key. A part
that holds a Decimal, or anything else that JSON does not give, has none.
"""

from __future__ import annotations

import marshal
from typing import Any

_LONGEST = 1024
_FORMAT = 2
"""The newest form that does not depend on which texts happen to be one object in memory."""


def bytes_of(part: Any) -> bytes:
    """A part as bytes; empty where it has none, or so many that it is not worth remembering."""
    try:
        found = marshal.dumps(part, _FORMAT)
    except ValueError:
        return b""
    return found if len(found) <= _LONGEST else b""


def part_of(found: bytes) -> Any:
    """The part with these bytes."""
    return marshal.loads(found)  # noqa: S302 - never anything but what was written above
